#include "bench/bench.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "bench/noise.hpp"
#include "bench/words.hpp"

namespace bench {
namespace {

/// Text inside a JSON string: quotes and backslashes escaped, other characters than printable ASCII replaced.
std::string escaped(std::string_view text) {
    std::string out;
    for (const char c : text) {
        if (c == '"' || c == '\\') out += '\\';
        out += c >= ' ' && c <= '~' ? c : '?';
    }
    return out;
}

struct Contact {
    std::string_view name;
    void (Amplifier::*set)(bool) noexcept;
};
constexpr Contact contacts[] = {{"emergency-stop", &Amplifier::emergency_contact}, {"lid", &Amplifier::lid_contact}};

constexpr std::string_view channel_names[] = {"forward", "reflected", "drive", "spare"};

std::string expected(std::string_view what, std::string_view got) {
    return fmt::format("expected {}, got \"{}\"", what, got);
}

/// A whole number-with-unit argument within bounds, else a message.
std::string number(const std::vector<std::string_view>& words, std::size_t at, std::string_view unit, double low,
                   double high, double& value) {
    const auto found = quantity(words, at, unit);
    if (found && *found >= low && *found <= high) {
        value = *found;
        return "";
    }
    return expected(fmt::format("a number {}..{} {}", low, high, unit), at < words.size() ? words[at] : "nothing");
}

/// "antenna good|wet|open|short|vswr 2.5 [over 6 s]".
std::string set_antenna(Amplifier& amplifier, const std::vector<std::string_view>& words) {
    const auto over = std::find(words.begin(), words.end(), "over");
    double seconds = 0.0;
    if (over != words.end()) {
        const auto at = static_cast<std::size_t>(over - words.begin()) + 1;
        if (auto wrong = number(words, at, "s", 0.0, 86400.0, seconds); !wrong.empty()) return wrong;
    }
    const std::vector<std::string_view> which(words.begin() + 1, over);
    const auto set = [&](double magnitude, double phase_rad) {
        amplifier.antenna(std::polar(magnitude, phase_rad), seconds);
        return std::string();
    };
    if (which.size() == 1 && which[0] == "good") return set(magnitude_of_vswr(1.15), 0.5);
    if (which.size() == 1 && which[0] == "wet") return set(magnitude_of_vswr(5.0), 1.8);
    if (which.size() == 1 && which[0] == "open") return set(1.0, 0.0);
    if (which.size() == 1 && which[0] == "short") {
        amplifier.antenna(Reflection(-1.0, 0.0), seconds);
        return "";
    }
    if (which.size() >= 2 && which[0] == "vswr") {
        double vswr = 1.0;
        if (auto wrong = number(which, 1, "", 1.0, 1000.0, vswr); !wrong.empty()) return wrong;
        return set(magnitude_of_vswr(vswr), 0.5);
    }
    return expected("antenna good, wet, open, short or vswr NUMBER, then perhaps over SECONDS s", join(words));
}

std::string set_switch(const std::vector<std::string_view>& words, std::string_view yes, std::string_view no,
                       bool& value) {
    if (words.size() == 2 && (words[1] == yes || words[1] == no)) {
        value = words[1] == yes;
        return "";
    }
    return expected(fmt::format("{} {} or {}", words[0], yes, no), join(words));
}

}  // namespace

std::vector<std::pair<std::string_view, double>> quantities(const Truth& truth) {
    return {
        {"t", static_cast<double>(truth.time_ns) * 1e-9},
        {"forward_w", truth.forward_w},
        {"reflected_w", truth.reflected_w},
        {"vswr", truth.vswr},
        {"antenna_vswr", truth.antenna_vswr},
        {"drive_w", truth.drive_w},
        {"compression_db", truth.compression_db},
        {"heatsink_c", truth.heatsink_c},
        {"device_c", truth.device_c},
        {"ambient_c", truth.ambient_c},
        {"heat_w", truth.heat_w},
        {"supply_v", truth.supply_v},
        {"current_a", truth.current_a},
        {"fan_rpm", truth.fan_rpm},
    };
}

std::string json_of(const Event& event) {
    return fmt::format(R"({{"at_ns":{},"kind":"{}","text":"{}"}})", event.at_ns, escaped(event.kind),
                       escaped(event.text));
}

Bench::Bench(std::uint64_t seed, std::int64_t epoch_ns, const Parameters& parameters)
    : seed_(seed), epoch_ns_(epoch_ns), amplifier_(seed, parameters) {}

Faults Bench::showing() const noexcept {
    constexpr double share = 0.4;
    constexpr std::uint64_t first_stream = 16;  // the amplifier's own are below
    Faults now = faults_;
    const Truth& truth = amplifier_.truth();
    // The result of a conversion stays until the next one's is there.
    const auto reading =
        static_cast<std::uint64_t>((truth.time_ns + ds18b20_period_ns - ds18b20_conversion_ns) / ds18b20_period_ns);
    std::uint64_t stream = first_stream;
    for (SensorFault* const fault : {&now.heatsink, &now.air}) {
        ++stream;
        if (*fault != SensorFault::rf_noise) continue;
        *fault = truth.rf && uniform(seed_, stream, reading) < share ? SensorFault::crc : SensorFault::good;
    }
    return now;
}

void Bench::note(std::int64_t at_ns, std::string kind, std::string text) {
    events_.push_back({at_ns, std::move(kind), std::move(text)});
}

void Bench::look() {
    const Truth& truth = amplifier_.truth();
    if (truth.rf_came_ns != seen_rf_came_ns_) {
        seen_rf_came_ns_ = truth.rf_came_ns;
        note(epoch_ns_ + truth.rf_came_ns, "RF came", "");
    }
    if (truth.rf_gone_ns != seen_rf_gone_ns_) {
        seen_rf_gone_ns_ = truth.rf_gone_ns;
        note(epoch_ns_ + truth.rf_gone_ns, "RF gone", "");
    }
    if (!mark_.armed || mark_.at_ns >= 0) return;
    for (const auto& [name, value] : quantities(truth)) {
        if (name != mark_.quantity || (mark_.above ? value <= mark_.level : value >= mark_.level)) continue;
        mark_.at_ns = epoch_ns_ + truth.time_ns;
        note(mark_.at_ns, "mark", fmt::format("{} {}", name, value));
    }
}

void Bench::advance_to(std::int64_t clock_ns) {
    // Tick by tick, so that a mark's stamp is as fine as the model at any step.
    while (now_ns() < clock_ns) {
        const std::int64_t step = std::min(clock_ns - now_ns(), Amplifier::tick_ns);
        amplifier_.advance_ns(step);
        advanced_ns_ += step;
        look();
    }
}

void Bench::line(bool permit) {
    if (permit == amplifier_.truth().permit) return;
    amplifier_.permit(permit);
    last_line_change_ns_ = now_ns();
    if (!permit) {
        last_inhibit_ns_ = now_ns();
        ++inhibits_;
    }
    note(now_ns(), permit ? "line permits" : "line inhibits", "");
}

std::string Bench::set_mark(const Words& words) {
    if (words.size() == 2 && words[1] == "off") {
        mark_ = {};
        return "";
    }
    const auto known = quantities(amplifier_.truth());
    const auto is = [&](const auto& entry) { return words.size() > 1 && entry.first == words[1]; };
    if (words.size() != 4 || (words[2] != "above" && words[2] != "below") ||
        std::none_of(known.begin(), known.end(), is)) {
        std::string names;
        for (const auto& entry : known) names += fmt::format("{}{}", names.empty() ? "" : ", ", entry.first);
        return expected(fmt::format("mark QUANTITY above|below NUMBER or mark off, with one of {}", names),
                        join(words));
    }
    double level = 0.0;
    if (auto wrong = number(words, 3, "", -1e9, 1e9, level); !wrong.empty()) return wrong;
    mark_ = {std::string(words[1]), words[2] == "above", level, true, -1};
    return "";
}

std::string Bench::set_amplifier(const Words& words) {
    const std::string_view verb = words[0];
    std::string wrong;
    double value = 0.0;
    bool on = false;
    if (verb == "key") {
        wrong = set_switch(words, "on", "off", on);
        if (wrong.empty()) amplifier_.key(on);
    } else if (verb == "drive") {
        wrong = number(words, 1, "W", 0.0, 1000.0, value);
        if (wrong.empty()) amplifier_.drive(value);
    } else if (verb == "ambient") {
        wrong = number(words, 1, "C", -40.0, 80.0, value);
        if (wrong.empty()) amplifier_.ambient(value);
    } else if (verb == "supply") {
        wrong = number(words, 1, "V", 0.0, 60.0, value);
        if (wrong.empty()) amplifier_.supply(value);
    } else if (verb == "thermal-speed") {
        wrong = number(words, 1, "", 1.0, 1000.0, value);
        if (wrong.empty()) amplifier_.thermal_speed(value);
    } else if (verb == "relay") {
        wrong = set_switch(words, "welded", "good", on);
        if (wrong.empty()) amplifier_.relay_welded(on);
    }
    return wrong;
}

std::string Bench::set_contact(const Words& words, std::string_view text) {
    const auto* const contact = std::find_if(std::begin(contacts), std::end(contacts), [&](const Contact& entry) {
        return words.size() == 3 && entry.name == words[1] && (words[2] == "open" || words[2] == "closed");
    });
    if (contact == std::end(contacts)) return expected("contact emergency-stop|lid open|closed", text);
    (amplifier_.*(contact->set))(words[2] == "closed");
    return "";
}

std::string Bench::set_sensor(const Words& words, std::string_view text) {
    const auto fault = words.size() == 3 ? sensor_fault(words[2]) : std::nullopt;
    if (!fault || (words[1] != "heatsink" && words[1] != "air"))
        return expected(fmt::format("sensor heatsink|air {}", sensor_fault_words()), text);
    (words[1] == "heatsink" ? faults_.heatsink : faults_.air) = *fault;
    return "";
}

std::string Bench::set_chip(const Words& words, std::string_view text) {
    const std::string_view verb = words[0];
    const auto fault = words.size() == 2 ? chip_fault(words[1]) : std::nullopt;
    if (!fault)
        return expected(fmt::format("{} {}{}", verb, verb == "fan" ? "run, stop, " : "", chip_fault_words()), text);
    (verb == "adc" ? faults_.adc : verb == "psu" ? faults_.psu : faults_.fan) = *fault;
    return "";
}

std::string Bench::set_detector(const Words& words, std::string_view text) {
    const auto* const name = std::find(std::begin(channel_names), std::end(channel_names),
                                       words.size() == 3 ? words[1] : std::string_view());
    if (name == std::end(channel_names) || (words[2] != "unplugged" && words[2] != "good"))
        return expected("detector forward|reflected|drive|spare unplugged|good", text);
    faults_.unplugged[static_cast<std::size_t>(name - std::begin(channel_names))] = words[2] == "unplugged";
    return "";
}

std::string Bench::obey(const Words& words, std::string_view text) {
    constexpr std::array amplifier_verbs{"key", "drive", "ambient", "supply", "thermal-speed", "relay"};
    const std::string_view verb = words[0];
    if (std::find(amplifier_verbs.begin(), amplifier_verbs.end(), verb) != amplifier_verbs.end())
        return set_amplifier(words);
    if (verb == "antenna") return set_antenna(amplifier_, words);
    if (verb == "fan" && words.size() == 2 && (words[1] == "run" || words[1] == "stop")) {
        amplifier_.fan(words[1] == "run");
        return "";
    }
    if (verb == "contact") return set_contact(words, text);
    if (verb == "sensor") return set_sensor(words, text);
    if (verb == "adc" || verb == "psu" || verb == "fan") return set_chip(words, text);
    if (verb == "detector") return set_detector(words, text);
    if (verb == "mark") return set_mark(words);
    return expected(
        "key, drive, antenna, fan, ambient, supply, thermal-speed, relay, contact, sensor, adc, psu, detector, mark or "
        "status",
        verb);
}

std::string Bench::command(std::string_view text) {
    const auto words = split(text);
    if (words.empty()) return expected("a command", "nothing");
    if (std::string wrong = obey(words, text); !wrong.empty()) return wrong;
    if (words[0] != "mark") last_command_ns_ = now_ns();
    note(now_ns(), "command", std::string(text));
    return "";
}

std::string Bench::status() const {
    const Truth& truth = amplifier_.truth();
    const auto stamp = [&](std::int64_t model_ns) { return model_ns < 0 ? std::int64_t{-1} : epoch_ns_ + model_ns; };
    std::string out = "{";
    for (const auto& [name, value] : quantities(truth)) out += fmt::format("\"{}\":{:.6g},", name, value);
    out += fmt::format(R"("permit":{},"keyed":{},"relay":{},"rf":{},)", truth.permit, truth.keyed, truth.relay_closed,
                       truth.rf);
    const Registers& chips = amplifier_.registers();
    out += fmt::format(R"("codes":[{},{},{},{}],)", chips.adc[0], chips.adc[1], chips.adc[2], chips.adc[3]);
    out += fmt::format(R"("inhibits":{},"now_ns":{},"last_line_change_ns":{},"last_inhibit_ns":{},)", inhibits_,
                       now_ns(), last_line_change_ns_, last_inhibit_ns_);
    out += fmt::format(R"("last_command_ns":{},"rf_came_ns":{},"rf_gone_ns":{},"mark_ns":{}}})", last_command_ns_,
                       stamp(truth.rf_came_ns), stamp(truth.rf_gone_ns), mark_.at_ns);
    return out;
}

std::string Bench::answer(std::string_view text) {
    const auto words = split(text);
    if (words.size() == 1 && words[0] == "status") return status();
    const std::string wrong = command(text);
    if (wrong.empty()) return fmt::format(R"({{"ok":true,"at_ns":{}}})", now_ns());
    return fmt::format(R"({{"ok":false,"error":"{}"}})", escaped(wrong));
}

std::vector<Event> Bench::take_events() {
    return std::exchange(events_, {});
}

std::string_view command_help() noexcept {
    return R"(Commands (one per line on the control socket, on standard input with --stdin, or in a scenario):
  key on|off                       the exciter
  drive 2.0 W                      its power when keyed
  antenna good|wet|open|short      or: antenna vswr 2.5; and then perhaps: over 6 s   (at the far end of the feeder)
  fan run|stop                     or what its chip does: fan absent, stuck, ...
  ambient 35 C
  supply 28 V
  thermal-speed 20                 heat moves so many times faster
  relay welded|good                welded: once closed, it stays
  contact emergency-stop|lid open|closed     an open emergency stop breaks the enable by itself
  sensor heatsink|air FAULT        good, absent, empty, garbage, frozen, 85, crc, rf-noise, shorted, jammed, swapped (heatsink)
  adc|psu|fan FAULT                good, absent, empty, garbage, stuck, railed, zero, ones, exchanged (adc), renumbered, jammed
  detector forward|reflected|drive|spare unplugged|good
  mark QUANTITY above|below NUMBER  stamps when a true quantity of `status` first passes a level; mark off
  status                           the truth, one line of JSON; stamps are CLOCK_MONOTONIC nanoseconds, -1 for never
Each other command answers {"ok":true,"at_ns":...} or {"ok":false,"error":"..."}.
)";
}

}  // namespace bench
