// daemon/store/captures: what is written is read back to the same bits, and a torn file is not believed.
#include "store/captures/reader.hpp"
#include "store/captures/writer.hpp"

#include <doctest/doctest.h>

#include <cstring>
#include <limits>
#include <sstream>

#include "amplifier.hpp"

using namespace recorded;

namespace {

void same(const formats::RecordedStep& a, const formats::RecordedStep& b) {
    REQUIRE(a.number == b.number);
    REQUIRE(a.now == b.now);
    REQUIRE(a.line.known == b.line.known);
    REQUIRE(a.line.permit == b.line.permit);
    REQUIRE(a.suspended == b.suspended);
    REQUIRE(a.contactor_line.known == b.contactor_line.known);
    REQUIRE(a.contactor_line.permit == b.contactor_line.permit);
    REQUIRE(a.permit == b.permit);
    REQUIRE(a.contactor == b.contactor);
    REQUIRE(a.commands.size() == b.commands.size());
    for (std::size_t i = 0; i < a.commands.size(); ++i) {
        REQUIRE(a.commands[i].kind == b.commands[i].kind);
        REQUIRE(a.commands[i].origin == b.commands[i].origin);
        REQUIRE(a.commands[i].id == b.commands[i].id);
    }
    REQUIRE(a.scans.size() == b.scans.size());
    for (std::size_t i = 0; i < a.scans.size(); ++i) {
        REQUIRE(a.scans[i].sampler == b.scans[i].sampler);
        REQUIRE(a.scans[i].samples.size() == b.scans[i].samples.size());
        for (std::size_t j = 0; j < a.scans[i].samples.size(); ++j) {
            const core::Sample& x = a.scans[i].samples[j];
            const core::Sample& y = b.scans[i].samples[j];
            REQUIRE(std::memcmp(&x.value, &y.value, sizeof x.value) == 0);
            REQUIRE(x.begun == y.begun);
            REQUIRE(x.fault == y.fault);
        }
    }
}

struct Written {
    Amplifier amplifier;
    std::vector<formats::RecordedStep> steps;
    std::string text;

    explicit Written(const char* kind = "trip") {
        formats::CaptureWriter writer{amplifier.config.plan, amplifier.now + 123456789ns};
        writer.begin({.version = "1.2.3",
                      .id = "bench",
                      .name = "Bench, with comma",
                      .kind = kind,
                      .cause = "Tripped: two\nlines",
                      .cause_step = 17,
                      .origin = amplifier.now + 123456789ns,
                      .origin_wall = "2026-03-01T07:08:09.123Z",
                      .synchronised = true,
                      .lost_before = 3,
                      .state = amplifier.guard.state(),
                      .configuration = amplifier.config.text,
                      .folder = "/etc/dekeyd"});
        for (int i = 0; i < 40; ++i) {
            amplifier.now += std::chrono::nanoseconds{i * i};
            if (i == 7)
                amplifier.commands = {{core::CommandKind::hold, core::Origin::remote, 4000000000U},
                                      {core::CommandKind::noted, core::Origin::none, 0}};
            formats::RecordedStep step = amplifier.step();
            if (i == 3) step.scans.clear();
            if (i == 5)
                step.scans[0].samples[1] = {
                    .value = -32768.0, .begun = step.now, .openings = 0, .fault = core::Fault::saturated_low};
            if (i == 6) step.scans[0].samples[1] = {};
            if (i == 8) step.scans[0].samples[0].value = std::numeric_limits<double>::denorm_min();
            if (i == 9) step.line = {};
            if (i == 11) step.suspended = 3h + 7ns;
            if (i >= 9) step.contactor_line = {.known = i != 12, .permit = i % 3 == 0};
            if (i == 10) std::swap(step.scans[0].samples[0].value, step.scans[0].samples[1].value);
            writer.add(step, i % 2 == 0 ? &amplifier.guard.snapshot() : nullptr);
            steps.push_back(step);
        }
        writer.end();
        text = writer.text();
    }
};

}  // namespace

TEST_CASE("header and steps come back to the same bits, with the details behind the rows or before them") {
    const char* kind = "";
    SUBCASE("a trip's") {
        kind = "trip";
    }
    SUBCASE("a recording's") {
        kind = "recording";
    }
    const Written written{kind};
    std::istringstream in{written.text};
    formats::CaptureReader reader{in};
    REQUIRE(reader.trouble() == "");
    CHECK(reader.header().name == "Bench, with comma");
    CHECK(reader.header().cause == "Tripped: two lines");
    CHECK(reader.header().cause_step == 17);
    CHECK(reader.header().origin == core::Instant{1000s} + 123456789ns);
    CHECK(reader.header().lost_before == 3);
    CHECK(reader.header().folder == "/etc/dekeyd");
    CHECK(reader.header().configuration == written.amplifier.config.text);
    CHECK(reader.slots() == formats::slot_names(written.amplifier.config.plan));
    formats::RecordedStep step;
    for (const formats::RecordedStep& wanted : written.steps) {
        REQUIRE(reader.next(step));
        same(step, wanted);
    }
    CHECK_FALSE(reader.next(step));
    CHECK(reader.trouble() == "");
    CHECK(reader.complete());
}

TEST_CASE("a spreadsheet shows the column names in the first rows, and a recording has its details before them") {
    const Written written;
    const auto line_of = [](const std::string& text, const char* what) {
        return std::count(text.begin(), text.begin() + static_cast<std::ptrdiff_t>(text.find(what)), '\n') + 1;
    };
    CHECK(line_of(written.text, "\nstep,t (s)") <= 14);
    CHECK(line_of(written.text, "\n#configuration ") > line_of(written.text, "\nstep,t (s)") + 40);
    formats::CaptureWriter writer{written.amplifier.config.plan, {}};
    formats::CaptureHeader header;
    header.kind = "recording";
    header.state = "a\n";
    header.configuration = "b\n";
    writer.begin(header);
    CHECK(line_of(writer.text(), "\n#configuration ") < line_of(writer.text(), "\nstep,t (s)"));
    CHECK(writer.text().starts_with("# dekeyd-capture 2\n"));
}

TEST_CASE("line breaks of another system: the same steps, and complete") {
    const Written written;
    std::string text;
    for (const char c : written.text) text += c == '\n' ? std::string{"\r\n"} : std::string{c};
    std::istringstream in{text};
    formats::CaptureReader reader{in};
    REQUIRE(reader.trouble() == "");
    CHECK(reader.header().configuration == written.amplifier.config.text);
    formats::RecordedStep step;
    for (const formats::RecordedStep& wanted : written.steps) {
        REQUIRE(reader.next(step));
        same(step, wanted);
    }
    CHECK_FALSE(reader.next(step));
    CHECK(reader.complete());
}

TEST_CASE("cut at any place: whole steps only, and never called complete") {
    const Written written;
    for (std::size_t size = 0; size < written.text.size(); size += size + 40 < written.text.size() ? 37 : 1) {
        CAPTURE(size);
        std::istringstream in{written.text.substr(0, size)};
        formats::CaptureReader reader{in};
        formats::RecordedStep step;
        std::size_t count = 0;
        while (reader.next(step)) same(step, written.steps.at(count++));
        REQUIRE_FALSE(reader.complete());
    }
}

TEST_CASE("a changed byte shows") {
    const Written written;
    std::string text = written.text;
    const std::size_t place = text.find(",permit,0,") == std::string::npos ? text.size() / 2 : text.find(",permit,0,");
    text[place + 4] = text[place + 4] == '1' ? '2' : '1';
    std::istringstream in{text};
    formats::CaptureReader reader{in};
    formats::RecordedStep step;
    while (reader.next(step)) {
    }
    CHECK_FALSE(reader.complete());
    CHECK(reader.trouble() != "");
}

TEST_CASE("times and values that no guard ever saw are refused, and nothing is worked out from them") {
    const Written written;
    const auto trouble = [&](std::string_view from, std::string_view to) {
        std::string text = written.text;
        const std::size_t place = text.find(from);
        REQUIRE(place != std::string::npos);
        text.replace(place, from.size(), to);
        std::istringstream in{text};
        formats::CaptureReader reader{in};
        formats::RecordedStep step;
        while (reader.next(step)) {
        }
        return reader.trouble();
    };
    CHECK(trouble("# origin-ns: ", "# origin-ns: 9000000") != "");
    CHECK(trouble("# origin-ns: ", "# origin-ns: -9000000") != "");
    CHECK(trouble("\n1,", "\n1,4000000000.5,inhibit,,0,inhibit,\n2,") != "");
    CHECK(trouble(",5e-324,", ",inf,") != "");

    Amplifier amplifier;
    core::Protection other{amplifier.config.plan, {}, false};
    std::string state = amplifier.guard.state();
    REQUIRE(other.take_state(state));
    state.replace(state.find("step ") + 5, state.find(' ', 5) - 5, "9223372036854775807");
    CHECK_FALSE(other.take_state(state));
}

TEST_CASE("what is no capture is called that") {
    std::istringstream in{"time,forward\n1,2\n"};
    const formats::CaptureReader reader{in};
    CHECK(reader.trouble().find("not a capture") != std::string::npos);
}
