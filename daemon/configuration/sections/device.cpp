// device, paths, guard, lockout, line, contactor, dynamic permit: what the daemon is and how it holds the line.
#include <algorithm>
#include <array>

#include "configuration/parts.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;

namespace {

using namespace row_units;

constexpr std::array start_words{Word{"permit", false}, Word{"held", true}};

// Figures of semiconductors are of what survives: a transistor into a bad load seconds at best, its heatsink minutes.
constexpr std::array device_rows{
    KeyRow{.path = "device", .kind = KeyKind::section, .need = Need::required, .says = "Which amplifier this is."},
    KeyRow{.path = "device.id",
           .kind = KeyKind::id,
           .need = Need::required,
           .says = "Its name in MQTT topics.",
           .into = [](const Given& v) { v.draft.configuration.id = v.text; }},
    KeyRow{.path = "device.name", .kind = KeyKind::text, .usual_words = "the id", .says = "Its name for people."},

    KeyRow{.path = "paths", .kind = KeyKind::section, .says = "Folders for files."},
    KeyRow{.path = "paths.sysfs",
           .kind = KeyKind::path,
           .usual = "/sys",
           .says = "Where the kernel shows its devices.",
           .into = [](const Given& v) { v.draft.configuration.sysfs_root = v.text; }},
    KeyRow{.path = "paths.state",
           .kind = KeyKind::path,
           .usual = "/var/lib/dekeyd",
           .says = "Lasting state: latches, holds, logs and captures. One daemon each.",
           .into = [](const Given& v) { v.draft.configuration.state_directory = v.text; }},
    KeyRow{.path = "paths.run",
           .kind = KeyKind::path,
           .usual = "/run/dekeyd",
           .says = "Run-time files: the control socket. One daemon each; under systemd the unit's RuntimeDirectory.",
           .into = [](const Given& v) { v.draft.configuration.run_directory = v.text; }},

    KeyRow{.path = "guard", .kind = KeyKind::section, .says = "The guard's own timing."},
    KeyRow{.path = "guard.period",
           .kind = KeyKind::time,
           .between = {1 * ms, 100 * ms, 1 * ms, 1.0, "each trip waits for it"},
           .usual = "20 ms",
           .says = "The guard decides at each scan, and at least once in this time."},
    KeyRow{.path = "guard.deadline",
           .kind = KeyKind::time,
           .between = {2 * ms, 1.0, 2 * ms, patient,
                       "a guard that stands still shall inhibit before the amplifier is hurt"},
           .usual_words = "100 ms, or five periods where that is longer",
           .says = "A decision later than this after the one before is an overrun; three in a row inhibit."},
    KeyRow{.path = "guard.settling",
           .kind = KeyKind::time,
           .sign = Sign::not_negative,
           .between = {0.5, 10 * minute, 0.0, hour,
                       "supplies and sensors need half a second to settle, and none needs ten minutes"},
           .usual = "5 s",
           .says = "Every sensor is good for so long before the first permit.",
           .into = [](const Given& v) { v.draft.plan().interlock.settling = v.time; }},
    KeyRow{.path = "guard.hold_off",
           .kind = KeyKind::time,
           .sign = Sign::not_negative,
           .between = {0.5, 10 * minute, 0.0, hour,
                       "a loose contact comes and goes within tenths of a second, and ten minutes show no more than "
                       "one"},
           .usual = "5 s",
           .says = "A sensor that comes back must stay good for so long.",
           .into = [](const Given& v) { v.draft.plan().interlock.sensor_hold_off = v.time; }},
    KeyRow{.path = "guard.after_start",
           .kind = KeyKind::word,
           .words = start_words,
           .usual = "permit",
           .says = "permit: a clean restart may permit by itself; held: it waits for an operator.",
           .into = [](const Given& v) { v.draft.plan().interlock.held_after_start = v.word != 0; }},
    KeyRow{.path = "guard.cpu",
           .kind = KeyKind::whole,
           .between = fixed(0, 1023, "it is a processor's number", Compared::whole),
           .usual_words = "the last one that the service may use, where there are several",
           .says = "The processor that the guard and the fast buses share, where they have real-time priority.",
           .into = [](const Given& v) { v.draft.configuration.guard_processor = static_cast<int>(v.number); }},
};

constexpr std::array lockout_rows{
    KeyRow{.path = "lockout",
           .kind = KeyKind::section,
           .says = "Too many trips, or starts after an unclean stop, lock out until an operator resets."},
    KeyRow{
        .path = "lockout.trips",
        .kind = KeyKind::whole,
        .between = {1, 10, 1, 100, "each trip before the lockout is one more into the fault"},
        .usual = "3",
        .says = "So many trips within the window.",
        .into = [](const Given& v) { v.draft.plan().interlock.lockout_trips = static_cast<std::uint32_t>(v.number); }},
    KeyRow{.path = "lockout.window",
           .kind = KeyKind::time,
           .between = {minute, 7 * day, 1.0, 30 * day, "a count of trips says something over minutes to days"},
           .usual = "10 min",
           .says = "Trips count for so long.",
           .into = [](const Given& v) { v.draft.plan().interlock.lockout_window = v.time; }},
    KeyRow{
        .path = "lockout.unclean_starts",
        .kind = KeyKind::whole,
        .between = {1, 10, 1, 100, "each start after a crash permits once more without knowing why it crashed"},
        .usual = "3",
        .says = "So many starts after an unclean stop within their window.",
        .into = [](const Given& v) { v.draft.plan().interlock.unclean_starts = static_cast<std::uint32_t>(v.number); }},
    KeyRow{.path = "lockout.unclean_window",
           .kind = KeyKind::time,
           .between = {2 * minute, 7 * day, 1.0, 30 * day,
                       "the service manager waits 10 s before each start, so a shorter window counts none"},
           .usual = "15 min",
           .says = "Such starts count for so long.",
           .into = [](const Given& v) { v.draft.plan().interlock.unclean_window = v.time; }},
};

constexpr std::array line_drivers{Word{"gpio", LineDriver::gpio}, Word{"file", LineDriver::file}};
constexpr std::array line_levels{Word{"high", true}, Word{"low", false}};

constexpr std::array line_rows{
    KeyRow{.path = "line",
           .kind = KeyKind::section,
           .need = Need::required,
           .says = "The inhibit line, to the amplifier's enable by way of a contact, with a resistor that pulls it to "
                   "inhibit."},
    KeyRow{.path = "contactor",
           .kind = KeyKind::section,
           .says = "A second output, which drops the supply when the line fails."},
    KeyRow{
        .path = "dynamic_permit",
        .kind = KeyKind::section,
        .says = "An output that moves with each decision while permitted, for a charge pump in series with the line."},
    KeyRow{.path = "line|contactor|dynamic_permit.driver",
           .kind = KeyKind::word,
           .need = Need::required,
           .words = line_drivers,
           .says = "gpio: a line of a GPIO chip; file: a plain file, for the bench, which protects nothing."},
    KeyRow{.path = "line|contactor|dynamic_permit.path",
           .kind = KeyKind::path,
           .need = Need::required,
           .when = "with 'driver: file'",
           .says = "The file."},
    KeyRow{.path = "line|contactor|dynamic_permit.chip",
           .kind = KeyKind::text,
           .usual_words = "the line's name is looked for on every chip",
           .says = "The chip's label or name; needed where the line is given by its offset."},
    KeyRow{.path = "line|contactor|dynamic_permit.line",
           .kind = KeyKind::text,
           .need = Need::required,
           .when = "with 'driver: gpio'",
           .says = "The line's name, or its offset in digits."},
    KeyRow{.path = "line|contactor|dynamic_permit.permit",
           .kind = KeyKind::word,
           .need = Need::required,
           .when = "with 'driver: gpio'",
           .words = line_levels,
           .says = "The level that permits; the other one inhibits."},
};

}  // namespace

std::span<const KeyRow> device_keys() {
    return device_rows;
}
std::span<const KeyRow> line_keys() {
    return line_rows;
}
std::span<const KeyRow> lockout_keys() {
    return lockout_rows;
}

void read_device(Section& top, Draft& draft) {
    Configuration& configuration = draft.configuration;
    Section device = top.section("device");
    read_keys(device, draft);
    configuration.name = device.text("name").value_or(configuration.id);
    device.finish();

    Section paths = top.section("paths");
    read_keys(paths, draft);
    paths.finish();
}

void read_guard(Section& top, Draft& draft) {
    core::InterlockPlan& interlock = draft.plan().interlock;
    Section guard = top.section("guard");
    draft.configuration.guard_period = guard.duration_or_usual("period");
    // A plain kernel on a busy board is late by tens of milliseconds now and then, and three in a row trip.
    const auto usual_deadline = std::max<core::Duration>(5 * draft.configuration.guard_period, 100ms);
    interlock.guard_deadline = guard.duration("deadline").value_or(usual_deadline);
    if (interlock.guard_deadline < 2 * draft.configuration.guard_period)
        guard.fault("deadline", "a deadline under two periods, which the guard would miss by itself",
                    fmt::format("at least {}", show(2 * draft.configuration.guard_period)));
    read_keys(guard, draft);
    guard.finish();

    Section lockout = top.section("lockout");
    read_keys(lockout, draft);
    lockout.finish();
}

namespace {

bool all_digits(std::string_view text) {
    return !text.empty() && std::all_of(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; });
}

LineConfig read_one_line(Section& section) {
    LineConfig line;
    const auto driver = section.word_as<LineDriver>("driver");
    if (!driver) {
        // Its other keys can't be judged, and shall not be called unknown.
        for (const std::string_view key : {"chip", "line", "permit", "path"}) section.allow(key);
        section.finish();
        return line;
    }
    line.driver = *driver;
    if (line.driver == LineDriver::file) {
        line.path = section.absolute_path("path").value_or("");
    } else {
        line.chip = section.text("chip").value_or("");
        line.line = section.text("line").value_or("");
        line.permit_high = section.word("permit").value_or(1) != 0;
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
    Section line = top.section("line");
    if (line.present()) draft.configuration.line = read_one_line(line);
    draft.report.bench = draft.configuration.line.driver == LineDriver::file;
    auto& contactor = draft.configuration.contactor;
    auto& dynamic = draft.configuration.dynamic_permit;
    if (Section section = top.section("contactor"); section.present()) {
        contactor = read_one_line(section);
        if (same_output(draft.configuration.line, *contactor))
            section.fault("line", "the contactor has the inhibit line's own output", "a second output");
    }
    if (Section section = top.section("dynamic_permit"); section.present()) {
        dynamic = read_one_line(section);
        if (same_output(draft.configuration.line, *dynamic) || (contactor && same_output(*contactor, *dynamic)))
            section.fault("line", "the dynamic permit has another line's output", "an output of its own");
    }
}

}  // namespace dekeyd::formats
