// device, paths, guard, lockout, line, contactor, dynamic permit: what the daemon is and how it holds the line.
#include <algorithm>
#include <array>

#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;

void read_device(Section& top, Draft& draft) {
    Configuration& configuration = draft.configuration;
    Section device = top.section("device", Need::required);
    configuration.id = device.id("id", Need::required).value_or("");
    configuration.name = device.text("name", Need::optional).value_or(configuration.id);
    device.finish();

    Section paths = top.section("paths", Need::optional);
    configuration.sysfs_root = paths.absolute_path("sysfs", Need::optional).value_or("/sys");
    configuration.state_directory = paths.absolute_path("state", Need::optional).value_or("/var/lib/dekeyd");
    configuration.run_directory = paths.absolute_path("run", Need::optional).value_or("/run/dekeyd");
    paths.finish();
}

void read_guard(Section& top, Draft& draft) {
    core::InterlockPlan& interlock = draft.plan().interlock;
    Section guard = top.section("guard", Need::optional);
    const auto period = guard.duration("period", Need::optional);
    draft.configuration.guard_period = period.value_or(20ms);
    // A plain kernel on a busy board is late by tens of milliseconds now and then, and three in a row trip.
    const auto usual_deadline = std::max<core::Duration>(5 * draft.configuration.guard_period, 100ms);
    interlock.guard_deadline = guard.duration("deadline", Need::optional).value_or(usual_deadline);
    if (interlock.guard_deadline < 2 * draft.configuration.guard_period)
        guard.fault("deadline", "a deadline under two periods, which the guard would miss by itself",
                    fmt::format("at least {}", show(2 * draft.configuration.guard_period)));
    interlock.settling = guard.duration("settling", Need::optional, Sign::not_negative).value_or(5s);
    interlock.sensor_hold_off = guard.duration("hold_off", Need::optional, Sign::not_negative).value_or(5s);
    interlock.held_after_start =
        guard.choice<bool>("after_start", {{"permit", false}, {"held", true}}, Need::optional).value_or(false);
    guard.finish();

    Section lockout = top.section("lockout", Need::optional);
    interlock.lockout_trips = static_cast<std::uint32_t>(lockout.whole("trips", Need::optional).value_or(3));
    interlock.lockout_window = lockout.duration("window", Need::optional).value_or(10min);
    interlock.unclean_starts = static_cast<std::uint32_t>(lockout.whole("unclean_starts", Need::optional).value_or(3));
    interlock.unclean_window = lockout.duration("unclean_window", Need::optional).value_or(15min);
    lockout.finish();
}

namespace {

bool all_digits(std::string_view text) {
    return !text.empty() && std::all_of(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; });
}

LineConfig read_one_line(Section& section) {
    LineConfig line;
    const auto driver =
        section.choice<LineDriver>("driver", {{"gpio", LineDriver::gpio}, {"file", LineDriver::file}}, Need::required);
    if (!driver) {
        // Its other keys can't be judged, and shall not be called unknown.
        for (const std::string_view key : {"chip", "line", "permit", "path"}) section.allow(key);
        section.finish();
        return line;
    }
    line.driver = *driver;
    if (line.driver == LineDriver::file) {
        line.path = section.absolute_path("path", Need::required).value_or("");
    } else {
        line.chip = section.text("chip", Need::optional).value_or("");
        line.line = section.text("line", Need::required).value_or("");
        line.permit_high =
            section.choice<bool>("permit", {{"high", true}, {"low", false}}, Need::required).value_or(true);
        if (all_digits(line.line) && line.chip.empty())
            section.fault("line", fmt::format("'{}' is an offset, and offsets are counted on each chip", line.line),
                          "'chip:' with the chip's label beside it, or the line's name");
    }
    section.finish();
    return line;
}

bool same_output(const LineConfig& a, const LineConfig& b) {
    return a.driver == b.driver && a.chip == b.chip && a.line == b.line && a.path == b.path &&
           !(a.line.empty() && a.path.empty());
}

}  // namespace

void read_line(Section& top, Draft& draft) {
    Section line = top.section("line", Need::required);
    if (line.present()) draft.configuration.line = read_one_line(line);
    draft.report.bench = draft.configuration.line.driver == LineDriver::file;
    auto& contactor = draft.configuration.contactor;
    auto& dynamic = draft.configuration.dynamic_permit;
    if (Section section = top.section("contactor", Need::optional); section.present()) {
        contactor = read_one_line(section);
        if (same_output(draft.configuration.line, *contactor))
            section.fault("line", "the contactor has the inhibit line's own output", "a second output");
    }
    if (Section section = top.section("dynamic_permit", Need::optional); section.present()) {
        dynamic = read_one_line(section);
        if (same_output(draft.configuration.line, *dynamic) || (contactor && same_output(*contactor, *dynamic)))
            section.fault("line", "the dynamic permit has another line's output", "an output of its own");
    }
}

}  // namespace dekeyd::formats
