// What the second opinion is worth: short lives of the bench's amplifier, each driven beyond one absolute limit, with
// the true values as judge. Built with a core that was broken on purpose (tests/second_opinion/worth.py), it tells
// whether the amplifier stays permitted beyond the limit, without the second opinion and with it.
//
// Usage: worth alone | with | check
// Exit code: 0 no life stayed permitted, 10 at least one did (their names are printed), 1 `check` failed: with a core
// in order every life is permitted, ends inhibited by its own limit, and the second opinion never speaks.
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <string_view>
#include <vector>

#include "bench/amplifier.hpp"
#include "configuration/configuration.hpp"
#include "configuration/raw_bounds.hpp"
#include "core/protection.hpp"
#include "second_opinion/scans.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr const char* station_text = R"(dekeyd: 1
device: {id: worth, name: Worth}
guard: {period: 10 ms, deadline: 10 s, settling: 500 ms, hold_off: 1 s, after_start: permit}
line: {driver: file, path: /nowhere}
buses:
  wire: {driver: w1, period: 200 ms}
  adc: {driver: iio, device: ads1015, period: 10 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 170 ms}
  contacts: {driver: contact, chip: soc, period: 10 ms}
sensors:
  heatsink: {bus: wire, address: 28-0000000000a1, measures: temperature, role: heatsink, allowed_age: 3 s,
             valid: -40 degC .. 120 degC, largest_jump: 5 K}
  forward: {bus: adc, address: voltage0, role: forward, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB, DETECTOR}
  reflected: {bus: adc, address: voltage1, role: reflected, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB, DETECTOR}
  drive: {bus: adc, address: voltage2, role: drive, coupling: 20 dB, pads: 16 dB, cable: 0.3 dB, DETECTOR}
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 1 s, valid: 1 V .. 60 V}
  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 1 s, valid: -1 A .. 40 A}
  lid: {bus: contacts, address: LID, measures: contact, interlock: INTERLOCK, allowed_age: 200 ms}
amplifier: {rated_forward: 120 W, minimum_forward: 6 W, rf_present: 1 W, maximum_drive: 2.5 W, drive_absent: 50 mW,
            nominal_supply: 28 V, maximum_current: 14 A, directivity: 30 dB, feeder_loss: 0.8 dB}
limits:
  LIMIT
lockout: {trips: 5, window: 10 min, unclean_starts: 3, unclean_window: 15 min}
)";
constexpr const char* detector_text =
    "measures: power, allowed_age: 200 ms, valid: 0.29 V .. 1.9 V, "
    "detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}";

/// What no reading comes from any more.
enum class Lost { nothing, wire, converter, supply_chip, contacts };

struct Life {
    const char* name;
    const char* limit;  ///< the one limit of its configuration; empty: the lid's
    void (*endanger)(bench::Amplifier&);
    bool (*unsafe)(const bench::Truth&, const bench::Registers&);
    Lost lost = Lost::nothing;  ///< a second before
    bool from_the_start = false;
    double most_s = 1.0;  ///< permitted with RF beyond the limit for longer: nobody stops it
};

// Levels: the truth is beyond the limit by more than what detectors' ripple, noise and steps may hide.
constexpr const char* heat =
    "heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 1 s, hold_off: 1 s, "
    "rearm: automatic}";
constexpr const char* forward =
    "forward: {watch: forward, above: 105 W, clear: rf off, qualify: 30 ms, hold_off: 1 s, "
    "rearm: automatic}";
constexpr const char* reflected =
    "reflected: {watch: reflected, above: 12 W, clear: rf off, qualify: 10 ms, hold_off: "
    "1 s, rearm: latched}";
constexpr const char* drive =
    "drive: {watch: drive, above: 2.5 W, clear: 2.0 W, qualify: 15 ms, hold_off: 1 s, rearm: "
    "automatic}";
constexpr const char* supply_high =
    "supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 100 ms, hold_off: "
    "1 s, rearm: automatic}";
constexpr const char* supply_low =
    "supply-low: {watch: supply, below: -15 %, clear: -7 %, qualify: 500 ms, hold_off: 1 "
    "s, rearm: automatic}";
constexpr const char* current =
    "current: {watch: current, above: 7 A, clear: rf off, qualify: 50 ms, hold_off: 1 s, "
    "rearm: latched}";
constexpr const char* gated =
    "hot-current: {watch: current, above: 7 A, clear: rf off, qualify: 50 ms, hold_off: 1 s, "
    "rearm: latched, while: {quantity: forward, above: 6 W}}";

using Truth = bench::Truth;
using Registers = bench::Registers;
void hot(bench::Amplifier& a) {
    a.ambient(90.0);
}
void strong(bench::Amplifier& a) {
    a.drive(2.4);
}
void overdriven(bench::Amplifier& a) {
    a.drive(3.5);
}
void lost_antenna(bench::Amplifier& a) {
    a.antenna({0.98, 0.0});
}
void high_supply(bench::Amplifier& a) {
    a.supply(33.0);
}
void low_supply(bench::Amplifier& a) {
    a.supply(21.0);
}
void opened(bench::Amplifier& a) {
    a.lid_contact(false);
}
bool is_hot(const Truth& t, const Registers&) {
    return t.heatsink_c > 71.0;
}
bool is_strong(const Truth& t, const Registers&) {
    return t.forward_w > 113.0;
}
bool is_overdriven(const Truth& t, const Registers&) {
    return t.drive_w > 2.9;
}
bool reflects(const Truth& t, const Registers&) {
    return t.reflected_w > 15.0;
}
bool is_high(const Truth& t, const Registers&) {
    return t.supply_v > 31.2;
}
bool is_low(const Truth& t, const Registers&) {
    return t.supply_v < 23.0;
}
bool draws(const Truth& t, const Registers&) {
    return t.current_a > 7.4;
}
bool is_open(const Truth&, const Registers& r) {
    return !r.lid_closed;
}

// The time: qualify, a round and the age where a jump is doubted; of what is silent its age and a round; and 300 ms.
constexpr double heat_s = 1.0 + 3.0 + 1.0 + 2.5;  // and a conversion, of which only the next round hears
const std::array lives{
    Life{"heatsink", heat, hot, is_hot, Lost::nothing, false, heat_s},
    Life{"heatsink, from the start", heat, hot, is_hot, Lost::nothing, true, heat_s},
    Life{"heatsink, silent", heat, hot, is_hot, Lost::wire, false, heat_s},
    Life{"forward", forward, strong, is_strong},
    Life{"forward, from the start", forward, strong, is_strong, Lost::nothing, true},
    Life{"forward, silent", forward, strong, is_strong, Lost::converter},
    Life{"reflected", reflected, lost_antenna, reflects},
    Life{"reflected, from the start", reflected, lost_antenna, reflects, Lost::nothing, true},
    Life{"reflected, silent", reflected, lost_antenna, reflects, Lost::converter},
    Life{"drive", drive, overdriven, is_overdriven},
    Life{"drive, silent", drive, overdriven, is_overdriven, Lost::converter},
    Life{"supply high", supply_high, high_supply, is_high},
    Life{"supply high, from the start", supply_high, high_supply, is_high, Lost::nothing, true},
    Life{"supply high, silent", supply_high, high_supply, is_high, Lost::supply_chip, false, 1.5},
    Life{"supply low", supply_low, low_supply, is_low, Lost::nothing, false, 1.2},
    Life{"supply low, from the start", supply_low, low_supply, is_low, Lost::nothing, true, 1.2},
    Life{"current", current, strong, draws},
    Life{"current, silent", current, strong, draws, Lost::supply_chip, false, 1.5},
    Life{"current, while there is RF", gated, strong, draws},
    Life{"lid", "", opened, is_open},
    Life{"lid, from the start", "", opened, is_open, Lost::nothing, true},
    Life{"lid, silent", "", opened, is_open, Lost::contacts},
};

formats::Configuration configuration_of(const Life& life) {
    std::string text{station_text};
    const auto put = [&](std::string_view word, std::string_view by) {
        for (std::size_t at; (at = text.find(word)) != std::string::npos;) text.replace(at, word.size(), by);
    };
    const bool lid = *life.limit == '\0';
    put("DETECTOR", detector_text);
    put("INTERLOCK", lid ? "yes" : "no");
    // One limit alone, so that no other stops what this one lets pass. Of the lid's life a warning.
    put("LIMIT", lid ? "warm: {watch: heatsink, above: 60 degC, clear: 55 degC, warn_only: yes}" : life.limit);
    formats::Loaded loaded = formats::load_configuration(text);
    for (const formats::Fault& fault : loaded.faults) std::fputs(formats::render("worth", text, fault).c_str(), stderr);
    if (!loaded.configuration) std::exit(2);
    return std::move(*loaded.configuration);
}

struct Outcome {
    bool permitted = false, harmed = false, spoke = false, inhibited = false;
};

class World {
public:
    World(const Life& life, bool with) : life_{life}, with_{with}, configuration_{configuration_of(life)} {}

    Outcome live() {
        amplifier_.thermal_speed(60.0);
        amplifier_.drive(1.2);
        if (life_.from_the_start) life_.endanger(amplifier_);
        for (int step = 0; step < 3500; ++step) {
            now_ += 10ms;
            const double at_s = step * 0.01;
            amplifier_.key(at_s > 3.0);
            if (step == 600 && !life_.from_the_start) life_.endanger(amplifier_);
            amplifier_.advance_ns(10'000'000);
            decide(at_s);
            judge();
        }
        outcome_.inhibited = !line_;
        return outcome_;
    }

private:
    void decide(double at_s) {
        scans_.clear();
        const Lost lost = at_s > 5.0 ? life_.lost : Lost::nothing;
        const Registers& r = amplifier_.registers();
        const auto volts = [&](bench::Channel channel) { return r.adc[channel] * bench::adc_volts_per_code; };
        if (due(0, 1000ms)) take(0, wire_, {r.heatsink_sixteenths / 16.0}, lost == Lost::wire);
        take(1, converter_,
             {volts(bench::forward), volts(bench::reflected), volts(bench::drive), volts(bench::forward)},
             lost == Lost::converter);
        if (due(1, 170ms)) take(2, psu_, {r.supply_mv / 1000.0, r.current_ma / 1000.0}, lost == Lost::supply_chip);
        take(3, contacts_, {r.lid_closed ? 1.0 : 0.0}, lost == Lost::contacts);

        std::vector<core::Command> commands;
        if (objection_) commands.push_back({core::CommandKind::objected, core::Origin::none, 0, *objection_});
        // An operator who resets whatever latches, and finds out whether it stands.
        if (static_cast<int>(at_s * 100.0) % 500 == 499)
            commands.push_back({core::CommandKind::reset, core::Origin::local, 1});
        const core::Decision decision =
            core_.step({.now = now_, .scans = scans_, .commands = commands, .line = {.known = true, .permit = line_}});
        for (const core::Scan& scan : scans_) second_opinion::show(monitor_, scan, now_);
        monitor_.supply(true, now_.time_since_epoch());
        objection_ = monitor_.against(decision.permit, now_.time_since_epoch());
        outcome_.spoke = outcome_.spoke || objection_;
        if (!with_) objection_.reset();
        line_ = decision.permit && !objection_;
        amplifier_.permit(line_);
        outcome_.permitted = outcome_.permitted || line_;
    }
    bool due(std::size_t which, core::Duration period) {
        if (now_ < next_[which]) return false;
        next_[which] = now_ + period;
        return true;
    }
    template <std::size_t slots>
    void take(std::uint16_t bus, std::array<core::Sample, slots>& samples, const std::array<double, slots>& values,
              bool lost) {
        for (std::size_t i = 0; i < slots; ++i) {
            samples[i] = {.value = lost ? 0.0 : values[i],
                          .begun = now_ - 1ms,
                          .openings = 0,
                          .fault = lost ? core::Fault::absent : core::Fault::none};
        }
        scans_.push_back({bus, samples});
    }
    void judge() {
        const Truth& truth = amplifier_.truth();
        const bool unsafe = line_ && truth.rf && life_.unsafe(truth, amplifier_.registers());
        unsafe_s_ = unsafe ? unsafe_s_ + 0.01 : 0.0;
        outcome_.harmed = outcome_.harmed || unsafe_s_ > life_.most_s;
    }

    const Life& life_;
    bool with_;
    formats::Configuration configuration_;
    core::Protection core_{configuration_.plan, {}, false};
    second_opinion::Monitor monitor_ = formats::second_opinion_of(configuration_);
    std::optional<std::uint16_t> objection_;
    bench::Amplifier amplifier_{1};
    core::Instant now_{1000s};
    std::array<core::Instant, 2> next_{};
    std::array<core::Sample, 1> wire_{}, contacts_{};
    std::array<core::Sample, 4> converter_{};
    std::array<core::Sample, 2> psu_{};
    std::vector<core::Scan> scans_;
    bool line_ = false;
    double unsafe_s_ = 0.0;
    Outcome outcome_;
};

}  // namespace

int main(int count, char** words) {
    const std::string_view mode = count == 2 ? words[1] : "";
    if (mode != "alone" && mode != "with" && mode != "check") {
        std::fputs("usage: worth alone | with | check\n", stderr);
        return 2;
    }
    int harmed = 0, wrong = 0;
    for (const Life& life : lives) {
        const Outcome outcome = World{life, mode != "alone"}.live();
        if (outcome.harmed) std::printf("stays permitted: %s\n", life.name);
        harmed += outcome.harmed ? 1 : 0;
        const bool permits = outcome.permitted || life.from_the_start;
        if (mode != "check" || (permits && outcome.inhibited && !outcome.spoke)) continue;
        std::printf("%s: permitted %d, inhibited at the end %d, the second opinion spoke %d\n", life.name,
                    outcome.permitted, outcome.inhibited, outcome.spoke);
        ++wrong;
    }
    if (harmed > 0) return 10;
    return wrong > 0 ? 1 : 0;
}
