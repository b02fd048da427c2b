#include "dekeyctl/sheet/sheet.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <fstream>
#include <iterator>

#include "configuration/delay.hpp"
#include "configuration/summary.hpp"
#include "core/interlock.hpp"
#include "dekeyctl/sheet/html.hpp"
#include "dekeyctl/sheet/remedies.hpp"
#include "dekeyctl/sheet/station.hpp"
#include "maths/exposure.hpp"
#include "plan/sources.hpp"
#include "words/units.hpp"

namespace {

using namespace dekeyd;
namespace sheet = ctl::sheet;

std::string file_text(const std::string& name) {
    std::ifstream in{DEKEYD_SOURCE_DIR "/config/" + name};
    return {std::istreambuf_iterator<char>{in}, {}};
}

formats::Configuration read(const std::string& text) {
    formats::Loaded loaded = formats::load_configuration(text);
    std::string faults;
    for (const auto& fault : loaded.faults) faults += formats::render("a.yaml", text, fault);
    CAPTURE(faults);
    REQUIRE(loaded.configuration);
    return std::move(*loaded.configuration);
}

formats::Configuration annotated(std::string_view from = {}, std::string_view to = {}) {
    std::string text = file_text("dekeyd.yaml");
    if (!from.empty()) {
        const std::size_t at = text.find(from);
        CAPTURE(from);
        REQUIRE(at != std::string::npos);
        text.replace(at, from.size(), to);
    }
    return read(text);
}

std::string page_of(const formats::Configuration& configuration) {
    return sheet::station_sheet(configuration, {.file = "hill.yaml", .date = "2026-03-01", .version = "1.2.3"});
}

bool says(const std::string& page, std::string_view words) {
    return page.find(sheet::escaped(words)) != std::string::npos;
}

}  // namespace

TEST_CASE("sheet: each sensor, line, limit and port that is configured is there") {
    for (const char* name : {"dekeyd.yaml", "examples/two-detectors.yaml", "examples/supply-monitor.yaml",
                             "examples/temperature-and-vswr.yaml"}) {
        CAPTURE(name);
        const formats::Configuration configuration = read(file_text(name));
        const std::string page = page_of(configuration);
        const auto wires = sheet::wires_of(configuration);
        for (const formats::BusConfig& bus : configuration.buses) {
            for (const formats::SlotConfig& slot : bus.slots) {
                CAPTURE(slot.sensor);
                const auto is_its = [&](const sheet::Wire& wire) {
                    return wire.channel && configuration.plan.channels[*wire.channel].id == slot.sensor;
                };
                CHECK(std::count_if(wires.begin(), wires.end(), is_its) == 1);  // also forward, which is read twice
                CHECK(says(page, slot.address));
            }
        }
        for (const sheet::Wire& wire : wires) {
            CAPTURE(wire.mark);
            CHECK(says(page, fmt::format("{} {}", wire.mark, wire.carries)));    // its label
            CHECK(page.find(">" + wire.mark + "</text>") != std::string::npos);  // in the drawing
        }
        for (const core::LimitPlan& limit : configuration.plan.limits) {
            CAPTURE(limit.id);
            CHECK(says(page, formats::limit_sentence(configuration, limit)));
            if (limit.trips) CHECK(says(page, formats::show(formats::worst_delay(configuration, limit).total())));
        }
        CHECK(says(page, configuration.line.line));
        CHECK(says(page, "hill.yaml"));
        CHECK(says(page, "2026-03-01"));
        CHECK(says(page, "1.2.3"));
        CHECK(says(page, "dekeyctl hold"));
        CHECK(says(page, "Licensed practice and local codes come first"));
    }
}

TEST_CASE("sheet: a maximum is beside its port") {
    const std::string page = page_of(annotated());
    CHECK(says(page, "DRIVE IN"));
    CHECK(says(page, "never above 2.5 W"));
    CHECK(says(page, "'drive' trips at 2.5 W"));
    CHECK(says(page, "Driver IN"));
    CHECK(says(page, "never above 10 mW (10 dBm)"));
    CHECK(says(page, "rated for 120 W"));
    CHECK(says(page, "'forward' trips at 125 W"));
    CHECK(says(page, "nominal 28 V"));
    CHECK(says(page, "never above 14 A"));
    // Floor and ceiling by hand: 5 dBm + 40 + 10 + 0.5 dB = 55.5 dBm = 354.8 W.
    CHECK(says(page, "measures to 5 dBm: 354.8 W (55.5 dBm) on the line"));
}

TEST_CASE("sheet: parts that aren't configured aren't drawn") {
    const std::string whole = page_of(annotated());
    CHECK(says(whole, "Driver"));
    CHECK(says(whole, "Low-pass"));
    CHECK(!says(whole, "Circulator"));
    CHECK(!says(whole, "CIRCULATOR"));
    CHECK(!says(whole, "Supply contactor"));
    const std::string small = page_of(read(file_text("examples/supply-monitor.yaml")));
    for (const char* absent : {"Exciter", "DRIVE IN", "Coupler", "Detector", "Feeder", "RF OUT", "How far to stay"}) {
        CAPTURE(absent);
        CHECK(!says(small, absent));
    }
    CHECK(says(small, "Amplifier"));
}

TEST_CASE("sheet: a circulator is drawn with its load, and its rating is at its port") {
    std::string text = file_text("dekeyd.yaml");
    const auto change = [&](std::string_view from, std::string_view to) {
        text.replace(text.find(from), from.size(), to);
    };
    change("[amplifier, low-pass-filter, coupler", "[amplifier, circulator, low-pass-filter, coupler");
    change("# circulator: {load_rating: 60 W", "circulator: {load_rating: 60 W");
    const formats::Configuration configuration = read(text);
    const auto chain = sheet::main_chain(configuration, sheet::wires_of(configuration));
    const auto part =
        std::find_if(chain.begin(), chain.end(), [](const auto& one) { return one.name == "Circulator"; });
    REQUIRE(part != chain.end());
    CHECK(part->below == std::vector<std::string>{"Load", "max. 60 W"});
    CHECK(says(page_of(configuration), "CIRCULATOR LOAD"));
}

TEST_CASE("sheet: the order of the chain is the signal's") {
    const formats::Configuration configuration = annotated();
    std::vector<std::string> names;
    for (const sheet::Part& part : sheet::main_chain(configuration, sheet::wires_of(configuration)))
        names.push_back(part.name);
    CHECK(names == std::vector<std::string>{"Exciter", "Cable", "Driver", "Pad", "Drive coupler", "Amplifier",
                                            "Low-pass filter", "Coupler", "Feeder", "Antenna"});
}

TEST_CASE("sheet: no text of the configuration is taken for marks") {
    const std::string evil = R"(A <script>"x"</script> & 'y')";
    const std::string page =
        page_of(annotated("name: Hill-top repeater amplifier", "name: \"A <script>\\\"x\\\"</script> & 'y'\""));
    CHECK(page.find("<script") == std::string::npos);
    CHECK(page.find("A &lt;script&gt;&quot;x&quot;&lt;/script&gt; &amp; &#39;y&#39;") != std::string::npos);
    CHECK(sheet::escaped(evil) == "A &lt;script&gt;&quot;x&quot;&lt;/script&gt; &amp; &#39;y&#39;");
    CHECK(sheet::escaped("a\x1b[1m\x01"
                         "b") == "a?[1m?b");
    for (const auto& change : {std::pair{"name: Heatsink\n", "name: \"<u>Heat & 'sink'\"\n"},
                               std::pair{"name: Driver,", "name: \"<u>Dr & 'iver'\","},
                               std::pair{"name: VSWR too high", "name: \"<u>VS & 'WR'\""}}) {
        CAPTURE(change.first);
        const std::string one = page_of(annotated(change.first, change.second));
        CHECK(one.find("<u>Heat") == std::string::npos);
        CHECK(one.find("<u>Dr") == std::string::npos);
        CHECK(one.find("<u>VS") == std::string::npos);
        CHECK(one.find("&lt;u&gt;") != std::string::npos);
        CHECK(one.find("& '") == std::string::npos);
    }
}

TEST_CASE("sheet: nothing is fetched, nothing runs") {
    const std::string page = page_of(annotated());
    for (const char* mark : {"<script", "<link", "<img", "<iframe", "url(", "@import", "src=", "href=", "onload"}) {
        CAPTURE(mark);
        CHECK(page.find(mark) == std::string::npos);
    }
    CHECK(page.find("default-src 'none'") != std::string::npos);
}

TEST_CASE("sheet: each cause that can come has a remedy and an end") {
    for (const char* name : {"dekeyd.yaml", "examples/two-detectors.yaml", "examples/supply-monitor.yaml"}) {
        const formats::Configuration configuration = read(file_text(name));
        const auto remedies = sheet::remedies_of(configuration);
        for (const sheet::Remedy& remedy : remedies) {
            CAPTURE(remedy.cause);
            CHECK(remedy.todo.size() > 20);
            CHECK(!remedy.end.empty());
        }
        const auto count = [&](std::string_view id) {
            return std::count_if(remedies.begin(), remedies.end(), [&](const sheet::Remedy& remedy) {
                return remedy.cause.find(id) != std::string::npos;
            });
        };
        for (const core::LimitPlan& limit : configuration.plan.limits)
            if (limit.trips) CHECK(count("(" + limit.id + ")") + count(limit.id) >= 1);
        CHECK(count("line-mismatch") == 1);
        CHECK(count("contactor") == 0);
        CHECK(count("heat-without-rise") == (configuration.plan.plausibility.heating_w ? 1 : 0));
    }
}

TEST_CASE("sheet: exposure with its caution, the distance never the smaller one") {
    const std::string page = page_of(annotated());
    CHECK(says(page, core::exposure_caution));
    CHECK(says(page, "general public"));
    CHECK(says(page, "occupational"));
    CHECK(!says(page_of(read(file_text("examples/two-detectors.yaml"))), "Stay farther"));
}

TEST_CASE("sheet: a line that protects nothing, and a monitor, are said at the top") {
    const std::string page = page_of(annotated("monitor_only: no ", "monitor_only: yes"));
    CHECK(says(page, "MONITOR ONLY"));
    CHECK(page.find("MONITOR ONLY") < page.find("The way of the signal"));
}
