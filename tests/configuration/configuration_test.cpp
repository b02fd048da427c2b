// Whole texts: what the annotated configuration and the examples become, and that nothing makes the reader fall over.
#include "configuration/configuration.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

const std::string annotated_path = DEKEYD_SOURCE_DIR "/config/dekeyd.yaml";

std::string read_file(const std::string& path) {
    std::ifstream file{path, std::ios::binary};
    std::stringstream text;
    text << file.rdbuf();
    return text.str();
}

std::vector<std::string> lines_of(const std::string& text) {
    std::vector<std::string> lines;
    std::stringstream stream{text};
    for (std::string line; std::getline(stream, line);) lines.push_back(line);
    return lines;
}

void check_sane(const Loaded& loaded) {
    CHECK(loaded.configuration.has_value() == loaded.faults.empty());
}

}  // namespace

TEST_CASE("the annotated configuration loads, with nothing left to confirm") {
    const Loaded loaded = load_configuration_file(annotated_path);
    expect_no_faults(loaded);
    REQUIRE(loaded.configuration);
    for (const Advice& advice : loaded.advice) CAPTURE(advice.what);
    CHECK(loaded.advice.empty());

    const Configuration& c = *loaded.configuration;
    CHECK(c.id == "hilltop-23cm");
    CHECK(c.guard_period == 20ms);
    CHECK(c.line.driver == LineDriver::gpio);
    CHECK(c.line.permit_high);
    REQUIRE(c.buses.size() == 4);
    CHECK(c.plan.channels.size() == 8);
    CHECK(c.plan.limits.size() == 11);
    CHECK(c.plan.interlock.lockout_window == 10min);
    REQUIRE(c.mqtt);
    CHECK(c.mqtt->host == "127.0.0.1");
    CHECK_FALSE(c.mqtt->remote_reset);
}

TEST_CASE("slots are read forward, reflected, others, forward again") {
    const Loaded loaded = load_configuration_file(annotated_path);
    REQUIRE(loaded.configuration);
    const Configuration& c = *loaded.configuration;
    const BusConfig& adc = c.buses[1];
    REQUIRE(adc.slots.size() == 4);
    CHECK(adc.slots[0].sensor == "forward");
    CHECK(adc.slots[1].sensor == "reflected");
    CHECK(adc.slots[2].sensor == "drive");
    CHECK(adc.slots[3].sensor == "forward");
    CHECK(adc.slots[3].address == "voltage0");
    CHECK(c.plan.rf.forward_again_slot == 3);
    REQUIRE(c.plan.samplers.size() == 4);
    CHECK(c.plan.samplers[1] == 4);
    CHECK(c.plan.channels[*c.plan.roles.forward].slot == 0);
    CHECK(c.plan.channels[*c.plan.roles.reflected].slot == 1);
}

TEST_CASE("units arrive in the plan's own") {
    const Loaded loaded = load_configuration_file(annotated_path);
    REQUIRE(loaded.configuration);
    const core::Plan& plan = loaded.configuration->plan;
    CHECK(plan.rf.rated_w == 120.0);
    CHECK(plan.rf.drive_absent_w == doctest::Approx(0.05));
    const core::Channel& forward = plan.channels[*plan.roles.forward];
    REQUIRE(forward.power);
    const auto& detector = std::get<core::LogDetector>(forward.power->detector);
    CHECK(detector.slope_v_per_db == doctest::Approx(-0.0244));
    CHECK(detector.intercept_dbm == doctest::Approx(19.6));
    CHECK(forward.allowed_age == 100ms);
    const auto supply_high = std::find_if(plan.limits.begin(), plan.limits.end(),
                                          [](const core::LimitPlan& limit) { return limit.id == "supply-high"; });
    REQUIRE(supply_high != plan.limits.end());
    CHECK(supply_high->trip == doctest::Approx(30.8));   // 28 V + 10 %, computed
    CHECK(supply_high->clear == doctest::Approx(29.4));  // 28 V + 5 %, computed
}

TEST_CASE("every example loads") {
    std::size_t seen = 0;
    for (const auto& entry : std::filesystem::directory_iterator{DEKEYD_SOURCE_DIR "/config/examples"}) {
        if (!entry.is_regular_file() || entry.path().extension() != ".yaml") continue;
        CAPTURE(entry.path().string());
        expect_no_faults(load_configuration_file(entry.path()));
        ++seen;
    }
    CHECK(seen >= 3);
}

// Files that an earlier dekeyd took, kept as they were: an upgrade must not leave a site de-keyed over its
// configuration.
TEST_CASE("what an earlier dekeyd loaded loads still") {
    std::size_t seen = 0;
    for (const auto& entry : std::filesystem::directory_iterator{DEKEYD_SOURCE_DIR "/tests/configuration/kept"}) {
        CAPTURE(entry.path().string());
        expect_no_faults(load_configuration_file(entry.path()));
        ++seen;
    }
    CHECK(seen >= 1);
}

TEST_CASE("a format of another version is refused, with what to do") {
    std::string text = read_file(annotated_path);
    const std::size_t at = text.find("dekeyd: 1\n");
    REQUIRE(at != std::string::npos);
    const auto line =
        static_cast<std::size_t>(std::count(text.begin(), text.begin() + static_cast<long>(at), '\n')) + 1;
    text.replace(at, 9, "dekeyd: 2");
    const Loaded newer = load_configuration(text);
    expect_faults(newer, {{line, "dekeyd", "version 2 of the format; this dekeyd knows version 1"}});
    CHECK(newer.faults.front().expected.find("a dekeyd that knows it") != std::string::npos);
    text.replace(at, 9, "dekeyd: x");
    expect_faults(load_configuration(text), {{line, "dekeyd", "'x' is no whole number"}});
    text.erase(at, 10);
    expect_faults(load_configuration(text), {{1, "dekeyd", "'dekeyd' is missing"}});
}

TEST_CASE("removing the unit from any one value of the annotated configuration is refused, with its line") {
    const std::string text = read_file(annotated_path);
    const std::vector<std::string> lines = lines_of(text);
    static const std::vector<std::string> units{"degC", "mV/dB", "dBm", "dB", "GHz", "rpm", "ms", "min",
                                                "mW",   "W",     "V",   "A",  "K",   "s",   "%"};
    std::size_t removed = 0;
    for (std::size_t number = 0; number < lines.size(); ++number) {
        const std::string line = lines[number].substr(0, lines[number].find('#'));
        for (std::size_t at = 0; at + 2 < line.size(); ++at) {
            const bool gap = line[at] >= '0' && line[at] <= '9' && line[at + 1] == ' ';
            if (!gap) continue;
            const auto unit = std::find_if(units.begin(), units.end(), [&](const std::string& candidate) {
                const std::size_t end = at + 2 + candidate.size();
                return line.compare(at + 2, candidate.size(), candidate) == 0 &&
                       (end == line.size() || line[end] == ' ' || line[end] == ',' || line[end] == '}');
            });
            if (unit == units.end()) continue;
            std::vector<std::string> changed = lines;
            changed[number] = line.substr(0, at + 1) + line.substr(at + 2 + unit->size());
            std::string changed_text;
            for (const std::string& one : changed) changed_text += one + "\n";
            CAPTURE(changed[number]);
            const Loaded loaded = load_configuration(changed_text);
            CHECK_FALSE(loaded.configuration);
            const bool on_its_line = std::any_of(loaded.faults.begin(), loaded.faults.end(), [&](const Fault& fault) {
                return fault.line == number + 1 && fault.what.find("needs a unit") != std::string::npos;
            });
            CHECK(on_its_line);
            ++removed;
        }
    }
    CHECK(removed > 90);
}

TEST_CASE("the text cut at every byte never brings the reader down") {
    const std::string text = read_file(annotated_path);
    for (std::size_t length = 0; length < text.size(); ++length) {
        check_sane(load_configuration(std::string_view{text}.substr(0, length)));
    }
}

TEST_CASE("one byte changed anywhere never brings the reader down") {
    const std::string text = read_file(DEKEYD_SOURCE_DIR "/config/examples/two-detectors.yaml");
    for (const char odd : {'\0', '\t', '{', '}', '[', ':', '-', '"', '&', '*', '!', '\xff', '9', '\n'}) {
        for (std::size_t at = 0; at < text.size(); at += 3) {
            std::string changed = text;
            changed[at] = odd;
            check_sane(load_configuration(changed));
        }
    }
}

TEST_CASE("a file that isn't there, isn't a file or is too long is a fault at its place") {
    const Loaded absent = load_configuration_file("/nonexistent/dekeyd.yaml");
    REQUIRE(absent.faults.size() == 1);
    CHECK(absent.faults[0].line == 0);
    CHECK(absent.faults[0].what.find("No such file") != std::string::npos);
    const Loaded folder = load_configuration_file("/");
    REQUIRE(folder.faults.size() == 1);
    CHECK(folder.faults[0].what == "is not a plain file");
    const Loaded endless = load_configuration_file("/dev/zero");
    REQUIRE(endless.faults.size() == 1);
    CHECK(endless.faults[0].what == "is not a plain file");
}

TEST_CASE("an empty text and one of comments are said to be empty") {
    expect_faults(load_configuration(""), {{1, "", "the configuration is empty"}});
    expect_faults(load_configuration("# nothing\n"), {{1, "", "the configuration is empty"}});
    expect_faults(load_configuration("just words\n"), {{1, "", "one value where a section was expected"}});
}

TEST_CASE("a fault is shown with its line and a caret under its column, in characters") {
    const std::string text = "dekeyd: 1\n'°°': 5\n";
    const Loaded loaded = load_configuration(text);
    const auto fault =
        std::find_if(loaded.faults.begin(), loaded.faults.end(), [](const Fault& f) { return f.line == 2; });
    REQUIRE(fault != loaded.faults.end());
    const std::string shown = render("a.yaml", text, *fault);
    CHECK(shown.find("a.yaml:2:1: error: °°: the key '°°' is not known here\n    2 | '°°': 5\n      | ^\n") == 0);

    const Fault at_end{.line = 9, .column = 70, .key = "k", .what = "w", .expected = "e"};
    CHECK(render("a.yaml", text, at_end) == "a.yaml:9:70: error: k: w\n  expected: e\n");
    const Fault no_line{.line = 0, .column = 0, .key = "", .what = "w", .expected = "e"};
    CHECK(render("a.yaml", "", no_line) == "a.yaml: error: w\n  expected: e\n");
}

TEST_CASE("a column after a degree sign counts characters") {
    const Loaded loaded = load_configuration("device: {id: a, name: 70 °C, nome: b}\n");
    const auto fault =
        std::find_if(loaded.faults.begin(), loaded.faults.end(), [](const Fault& f) { return f.key == "device.nome"; });
    REQUIRE(fault != loaded.faults.end());
    CHECK(fault->column == 30);  // counted by hand
}

TEST_CASE("hundreds of faults end in a count") {
    std::string text = "dekeyd: 1\n";
    for (int i = 0; i < 500; ++i) text += fmt::format("key{}: 1\n", i);
    const Loaded loaded = load_configuration(text);
    CHECK(loaded.faults.size() == 201);
    CHECK(loaded.faults.back().what.find("more faults") != std::string::npos);
}
