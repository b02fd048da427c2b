// A long run: the deciding core against the bench's amplifier, as fast as the machine goes, through weather,
// transmissions, faults, operators and power cuts, all drawn from one seed. What must hold is looked at all the time.
//
// Usage: soak [--hours H] [--seed S] [--folder F] [--only TROUBLE] [--verbose]
//
// The times below are the configuration's own, so the bounds are worked out from it and not fitted to what is seen:
// a truth is unsafe with RF no longer than reading age + qualify time + one reading + the relay.
#include <malloc.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "bench/bench.hpp"
#include "core/step.hpp"
#include "formats/configuration.hpp"
#include "formats/event_text.hpp"
#include "formats/journal.hpp"
#include "formats/raw_bounds.hpp"
#include "formats/state_file.hpp"
#include "second_opinion/scans.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr const char* configuration_text = R"(dekeyd: 1
device: {id: soak, name: Long run}
guard: {period: 10 ms, deadline: 200 ms, settling: 2 s, hold_off: 5 s, after_start: permit}
line: {driver: file, path: /nowhere}
buses:
  wire: {driver: w1, period: 1 s}
  adc: {driver: iio, device: ads1015, period: 10 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 170 ms}
  fans: {driver: hwmon, device: pwmfan, period: 500 ms}
sensors:
  heatsink: {bus: wire, address: 28-0000000000a1, measures: temperature, role: heatsink, allowed_age: 6 s,
             valid: -40 degC .. 120 degC, largest_jump: 5 K}
  ambient: {bus: wire, address: 28-0000000000a2, measures: temperature, role: ambient, allowed_age: 6 s, required: no}
  forward: {bus: adc, address: voltage0, role: forward, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB, DETECTOR}
  reflected: {bus: adc, address: voltage1, role: reflected, coupling: 40 dB, pads: 10 dB, cable: 0.5 dB, DETECTOR}
  drive: {bus: adc, address: voltage2, role: drive, coupling: 20 dB, pads: 16 dB, cable: 0.3 dB, DETECTOR}
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 1 s, valid: 1 V .. 60 V}
  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 1 s, valid: -1 A .. 40 A}
  fan: {bus: fans, address: fan1, measures: speed, role: fan, allowed_age: 3 s}
amplifier: {rated_forward: 120 W, minimum_forward: 6 W, rf_present: 1 W, maximum_drive: 2.5 W, drive_absent: 50 mW,
            nominal_supply: 28 V, maximum_current: 14 A, directivity: 30 dB, feeder_loss: 0.8 dB,
            small_signal_gain: 18 dB}
limits:
  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, warn: 65 degC, qualify: 1 s, hold_off: 30 s,
             rearm: automatic}
  vswr: {watch: vswr, above: 2.0, clear: rf off, warn: 1.7, qualify: 20 ms, hold_off: 1 s, rearm: latched,
         while: {quantity: forward, above: 6 W}}
  reflected: {watch: reflected, above: 24 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched}
  drive: {watch: drive, above: 2.5 W, clear: 2.0 W, qualify: 10 ms, hold_off: 5 s, rearm: automatic}
  forward: {watch: forward, above: 130 W, clear: rf off, qualify: 30 ms, hold_off: 5 s, rearm: automatic}
  supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 100 ms, hold_off: 5 s, rearm: automatic}
  supply-low: {watch: supply, below: -15 %, clear: -7 %, qualify: 500 ms, hold_off: 5 s, rearm: automatic}
  current: {watch: current, above: 14 A, clear: rf off, qualify: 50 ms, hold_off: 5 s, rearm: latched}
lockout: {trips: 5, window: 10 min, unclean_starts: 3, unclean_window: 15 min}
)";
constexpr const char* detector_text =
    "measures: power, allowed_age: 500 ms, valid: 0.29 V .. 1.9 V, frozen_after: 2 s, frozen: fault, "
    "detector: {slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}";

constexpr std::int64_t step_ns = 10'000'000;
constexpr double step_s = 0.01;
constexpr double rest_volts = 1.75;
constexpr formats::JournalBudget journal_budget{.segment_bytes = 64 * 1024, .total_bytes = 512 * 1024};

struct Options {
    double hours = 2.0;
    std::uint64_t seed = 1;
    std::string folder;
    std::string only;  ///< the one trouble that comes; empty: all
    bool verbose = false;
};

std::string stamp(double seconds) {
    char text[64];
    const auto whole = static_cast<long>(seconds);
    std::snprintf(text, sizeof text, "day %ld %02ld:%02ld:%02ld.%03d", whole / 86400, whole / 3600 % 24,
                  whole / 60 % 60, whole % 60, static_cast<int>((seconds - static_cast<double>(whole)) * 1000.0));
    return text;
}

/// Chance, from one seed.
class Chance {
public:
    explicit Chance(std::uint64_t seed) : engine_{seed} {}
    double between(double low, double high) { return low + (high - low) * unit(); }
    double after(double mean_s) { return -mean_s * std::log(1.0 - unit() * 0.999999); }
    bool one_in(double n) { return unit() * n < 1.0; }
    std::size_t of(std::size_t count) { return static_cast<std::size_t>(engine_() % count); }

private:
    // Not the library's distributions: they may differ from machine to machine.
    double unit() { return static_cast<double>(engine_() >> 11U) * 0x1.0p-53; }
    std::mt19937_64 engine_;
};

/// Something that goes wrong for a while: bench commands to begin and to end it.
struct Trouble {
    const char* name;
    std::vector<const char*> begin, end;
    bool welds = false;  ///< RF goes on when inhibited: no guard can stop it, but it must say so
    bool world = false;  ///< something in the world, not a sensor
    enum class Coupler : std::uint8_t { good, swapped, forward_dead } coupler = Coupler::good;
};

const std::vector<Trouble>& troubles() {
    static const std::vector<Trouble> all{
        {"antenna open", {"antenna open"}, {"antenna good"}, false, true},
        {"antenna wet", {"antenna wet over 20 s"}, {"antenna good"}, false, true},
        {"antenna short", {"antenna short"}, {"antenna good"}, false, true},
        {"antenna bent", {"antenna vswr 3.5 over 2 s"}, {"antenna good"}, false, true},
        {"fan stops", {"fan stop"}, {"fan run"}, false, true},
        {"overdrive", {"drive 3.5 W"}, {"drive 1.4 W"}, false, true},
        {"supply high", {"supply 32 V"}, {"supply 28 V"}, false, true},
        {"supply low", {"supply 22 V"}, {"supply 28 V"}, false, true},
        {"hot air", {"ambient 58 C"}, {"ambient 20 C"}, false, true},
        {"relay welds", {"relay welded"}, {"relay good"}, true, true},
        {"thermometer gone", {"sensor heatsink absent"}, {"sensor heatsink good"}},
        {"thermometer empty", {"sensor heatsink empty"}, {"sensor heatsink good"}},
        {"thermometer garbage", {"sensor heatsink garbage"}, {"sensor heatsink good"}},
        {"thermometer CRC", {"sensor heatsink crc"}, {"sensor heatsink good"}},
        {"thermometer power-on", {"sensor heatsink 85"}, {"sensor heatsink good"}},
        {"thermometer jams", {"sensor heatsink jammed"}, {"sensor heatsink good"}},
        {"thermometer with RF", {"sensor heatsink rf-noise"}, {"sensor heatsink good"}},
        {"converter gone", {"adc absent"}, {"adc good"}},
        {"converter jams", {"adc jammed"}, {"adc good"}},
        {"converter stuck", {"adc stuck"}, {"adc good"}},
        {"converter railed", {"adc railed"}, {"adc good"}},
        {"converter zero", {"adc zero"}, {"adc good"}},
        {"forward cable out", {"detector forward unplugged"}, {"detector forward good"}},
        {"reflected cable out", {"detector reflected unplugged"}, {"detector reflected good"}},
        {"coupler's cables swapped", {}, {}, false, false, Trouble::Coupler::swapped},
        {"forward detector at its floor", {}, {}, false, false, Trouble::Coupler::forward_dead},
        {"supply chip gone", {"psu absent"}, {"psu good"}},
        {"supply chip garbage", {"psu garbage"}, {"psu good"}},
        {"fan chip gone", {"fan absent"}, {"fan good"}},
    };
    return all;
}

/// What the kernel's files would have said, as samples. Stuck and frozen ones keep their last value here.
class Instruments {
public:
    explicit Instruments(const formats::Configuration& configuration) : configuration_{configuration} {
        for (const formats::BusConfig& bus : configuration.buses) {
            samples_.emplace_back(bus.slots.size());
            next_ns_.push_back(0);
            period_ns_.push_back(bus.period.count());
        }
    }
    /// The scans that are due.
    void look(const bench::Bench& bench, core::Instant now, std::vector<core::Scan>& scans) {
        const std::int64_t now_ns = now.time_since_epoch().count();
        const bench::Faults faults = bench.showing();
        for (std::size_t i = 0; i < samples_.size(); ++i) {
            if (now_ns < next_ns_[i]) continue;
            next_ns_[i] = now_ns + period_ns_[i];
            const formats::BusConfig& bus = configuration_.buses[i];
            bool jammed = false;
            for (std::size_t slot = 0; slot < bus.slots.size(); ++slot)
                read(bus, bus.slots[slot].address, faults, now, samples_[i][slot], jammed);
            // A jammed file holds its whole thread.
            if (!jammed) scans.push_back({.sampler = static_cast<std::uint16_t>(i), .samples = samples_[i]});
        }
    }
    const bench::Registers* registers = nullptr;
    Trouble::Coupler coupler = Trouble::Coupler::good;

private:
    void read(const formats::BusConfig& bus, const std::string& address, const bench::Faults& faults, core::Instant now,
              core::Sample& sample, bool& jammed) {
        const core::Sample before = sample;
        sample = {.value = 0.0, .begun = now - 1ms, .openings = 0, .fault = core::Fault::none};
        const auto failed = [&](core::Fault why) { sample.fault = why; };
        if (bus.driver == formats::BusDriver::w1) {
            const bool sink = address.ends_with("a1");
            const bench::SensorFault fault = sink ? faults.heatsink : faults.air;
            sample.value = (sink ? registers->heatsink_sixteenths : registers->air_sixteenths) / 16.0;
            switch (fault) {
                case bench::SensorFault::good: return;
                case bench::SensorFault::absent:
                case bench::SensorFault::swapped: return failed(core::Fault::absent);
                case bench::SensorFault::empty: return failed(core::Fault::empty);
                case bench::SensorFault::garbage: return failed(core::Fault::garbled);
                case bench::SensorFault::frozen: sample.value = before.value; return;
                case bench::SensorFault::power_on: sample.value = 85.0; return;
                case bench::SensorFault::crc:
                case bench::SensorFault::rf_noise: return failed(core::Fault::bad_crc);
                case bench::SensorFault::shorted: sample.value = 0.0; return;
                case bench::SensorFault::jammed: jammed = true; return;
            }
            return;
        }
        const bool adc = bus.driver == formats::BusDriver::iio;
        const bool psu = bus.device == "ltc4151";
        const bench::ChipFault fault = adc ? faults.adc : psu ? faults.psu : faults.fan;
        if (adc) {
            auto channel = static_cast<std::size_t>(address.back() - '0');
            if (coupler == Trouble::Coupler::swapped && channel < 2) channel = 1 - channel;
            int code = registers->adc[channel];
            // At rest, with the bench's own noise, so that it isn't merely frozen.
            if (coupler == Trouble::Coupler::forward_dead && channel == 0)
                code = static_cast<int>(rest_volts / bench::adc_volts_per_code) + registers->adc[2] % 2;
            if (faults.unplugged[channel]) code = 3;
            if (fault == bench::ChipFault::railed) return failed(core::Fault::saturated_high);
            if (fault == bench::ChipFault::zero) code = 0;
            sample.value = code * bench::adc_volts_per_code;
        } else {
            sample.value = !psu                 ? registers->fan_rpm
                           : address == "curr1" ? registers->current_ma / 1000.0
                                                : registers->supply_mv / 1000.0;
        }
        switch (fault) {
            case bench::ChipFault::absent:
            case bench::ChipFault::renumbered: return failed(core::Fault::absent);
            case bench::ChipFault::empty: return failed(core::Fault::empty);
            case bench::ChipFault::garbage: return failed(core::Fault::garbled);
            case bench::ChipFault::stuck: sample.value = before.value; return;
            case bench::ChipFault::jammed: jammed = true; return;
            default: return;
        }
    }
    const formats::Configuration& configuration_;
    std::vector<std::vector<core::Sample>> samples_;
    std::vector<std::int64_t> next_ns_, period_ns_;
};

/// One kind of unsafe truth, and how long it may last with RF while nothing has been done.
struct Danger {
    const char* name;
    bool (*is)(const bench::Truth&);
    double most_s;
    double since_s = -1.0;
    double longest_s = 0.0;
};

// Beyond the trip level by what the sensors' uncertainty and the bench's noise may hide. The bounds: allowed age (a
// sensor that dies in that moment), qualify time, a round of the converter or of the bus, the relay's 8 ms, two steps.
std::vector<Danger> dangers() {
    return {
        {"VSWR above 2.4", [](const bench::Truth& t) { return t.vswr > 2.4 && t.forward_w > 8.0; }, 0.5 + 0.02 + 0.06},
        {"reflected above 30 W", [](const bench::Truth& t) { return t.reflected_w > 30.0; }, 0.5 + 0.01 + 0.06},
        {"forward above 145 W", [](const bench::Truth& t) { return t.forward_w > 145.0; }, 0.5 + 0.03 + 0.06},
        {"drive above 3 W", [](const bench::Truth& t) { return t.drive_w > 3.0; }, 0.5 + 0.01 + 0.06},
        // A lone jump needs a second reading; a conversion is 0.75 s old when it is read.
        {"heatsink above 71 degC", [](const bench::Truth& t) { return t.heatsink_c > 71.0; }, 6.0 + 1.0 + 3.0},
        {"supply above 31.2 V", [](const bench::Truth& t) { return t.supply_v > 31.2; }, 1.0 + 0.1 + 0.4},
    };
}

class Soak {
public:
    explicit Soak(const Options& options) : options_{options}, chance_{options.seed}, bench_{options.seed} {
        std::string text{configuration_text};
        for (std::size_t at; (at = text.find("DETECTOR")) != std::string::npos;) text.replace(at, 8, detector_text);
        formats::Loaded loaded = formats::load_configuration(text);
        for (const formats::Fault& fault : loaded.faults)
            std::fputs(formats::render("soak", text, fault).c_str(), stderr);
        if (!loaded.configuration) std::exit(2);
        configuration_ = std::move(*loaded.configuration);
        instruments_ = std::make_unique<Instruments>(configuration_);
        instruments_->registers = &bench_.amplifier().registers();
        latched_.assign(core::source_count(configuration_.plan), false);
        told_ = latched_;
        journal_ = std::make_unique<formats::Journal>(options.folder + "/journal", journal_budget);
        check(journal_->open().empty(), "the journal opens");
        start(false);
        command("drive 1.4 W");
        next_key_s_ = chance_.between(5.0, 30.0);
        next_trouble_s_ = chance_.after(600.0);
        next_cut_s_ = chance_.after(3600.0 * 4);
        next_operator_s_ = 30.0;
    }

    int run() {
        const auto began = std::chrono::steady_clock::now();
        const double end_s = options_.hours * 3600.0;
        std::size_t early_bytes = 0;
        double told_s = 0.0;
        while (now_s_ < end_s && failures_ == 0) {
            world();
            bench_.advance_to(bench_ns_ += step_ns);
            now_s_ += step_s;
            step();
            watch();
            if (early_bytes == 0 && now_s_ > end_s / 10) early_bytes = allocated();
            if (now_s_ - told_s >= 86400.0) {
                told_s = now_s_;
                std::printf("%s: %llu events, %llu trips, %zu bytes allocated\n", stamp(now_s_).c_str(),
                            static_cast<unsigned long long>(events_), static_cast<unsigned long long>(trips_),
                            allocated());
                std::fflush(stdout);
            }
        }
        check(journal_->sync().empty(), "the journal is written");
        const std::size_t late_bytes = allocated();
        const std::size_t files = folder_bytes();
        if (failures_ == 0) check(late_bytes <= early_bytes + 64 * 1024, "memory is flat");
        check(files <= journal_budget.total_bytes + 2 * journal_budget.segment_bytes, "the files are bounded");
        if (failures_ == 0) check(permits_ > 0 && trips_ > 0 && resets_ > 0, "something happened");
        const double took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
        std::printf("seed %llu: %.1f h in %.1f s (%.0f times real time)\n",
                    static_cast<unsigned long long>(options_.seed), now_s_ / 3600.0, took_s, now_s_ / took_s);
        std::printf(
            "%llu events: %llu permits, %llu trips, %llu resets, %llu warnings, %llu starts (%llu unclean), "
            "%llu transmissions, %llu troubles\n",
            n(events_), n(permits_), n(trips_), n(resets_), n(warnings_), n(starts_), n(unclean_), n(transmissions_),
            n(trouble_count_));
        std::printf(
            "permit %.1f %% of the time, %.1f %% of fair weather; longest wait for a permit in fair weather "
            "%.0f s\n",
            100.0 * permit_s_ / now_s_, 100.0 * fair_permit_s_ / std::max(fair_s_, 1.0), longest_wait_s_);
        std::printf("second opinion: against a permit in %llu steps, none of them permitted\n", n(objections_));
        if (failures_ == 0) check(objections_ > 0, "the second opinion sees something");
        std::printf("welded relay with RF: said within %.3f s\n", longest_weld_s_);
        for (const Danger& danger : dangers_)
            std::printf("%-24s with RF for at most %6.3f s (bound %.3f s)\n", danger.name, danger.longest_s,
                        danger.most_s);
        std::printf("allocated %zu bytes early, %zu at the end; files %zu bytes\n", early_bytes, late_bytes, files);
        std::puts(failures_ == 0 ? "all held" : "FAILED");
        return failures_ == 0 ? 0 : 1;
    }

private:
    static unsigned long long n(std::uint64_t count) { return count; }

    void check(bool holds, const char* what) {
        if (!holds) fail(what);
    }
    void fail(const std::string& what) {
        ++failures_;
        std::printf("%s: DOES NOT HOLD: %s\n  trouble: %s (%.1f s old), seed %llu\n", stamp(now_s_).c_str(),
                    what.c_str(), trouble_ ? trouble_->name : "none", now_s_ - trouble_changed_s_, n(options_.seed));
        if (protection_) {
            const core::Snapshot& snapshot = protection_->snapshot();
            std::printf("  state %s, permit %d;", std::string{core::text(snapshot.state)}.c_str(), snapshot.permit);
            for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
                if (snapshot.causes[i].active)
                    std::printf(" %s", std::string{id_of(static_cast<core::SourceIndex>(i))}.c_str());
            }
            const bench::Truth& t = bench_.amplifier().truth();
            std::printf("\n  truth: %.1f W, VSWR %.2f, reflected %.1f W, drive %.2f W, %.1f degC, %.2f V, %.1f A\n",
                        t.forward_w, t.vswr, t.reflected_w, t.drive_w, t.heatsink_c, t.supply_v, t.current_a);
        }
    }
    void command(const char* text) {
        const std::string wrong = bench_.command(text);
        if (!wrong.empty()) fail(std::string{"the bench takes '"} + text + "': " + wrong);
    }
    [[nodiscard]] std::string_view id_of(core::SourceIndex source) const {
        return source == core::no_source ? "-" : core::describe_source(configuration_.plan, source).id;
    }
    static std::size_t allocated() { return ::mallinfo2().uordblks; }
    [[nodiscard]] std::size_t folder_bytes() const {
        std::size_t bytes = 0;
        for (const auto& entry : std::filesystem::recursive_directory_iterator{options_.folder}) {
            if (entry.is_regular_file()) bytes += entry.file_size();
        }
        return bytes;
    }

    // ---- the daemon ----

    void start(bool unclean) {
        ++starts_;
        unclean_ += unclean ? 1U : 0U;
        formats::StoredState stored = formats::state_from_text(configuration_.plan, disk_);
        if (disk_.empty()) {
            stored.memory = {};
            stored.memory.latched.assign(core::source_count(configuration_.plan), false);
            stored.memory.first_start = true;
            stored.running = false;
        }
        check(stored.running == unclean, "an unclean stop shows at the next start");
        check(stored.memory.latched == latched_, "latches outlast a restart");
        protection_ = std::make_unique<core::Protection>(configuration_.plan, stored.memory, stored.running);
        second_opinion_ = formats::second_opinion_of(configuration_);
        active_.assign(core::source_count(configuration_.plan), false);
        for (std::size_t i = 0; i < latched_.size(); ++i) active_[i] = latched_[i];
        save(true);
        last_number_ = 0;
        permit_ = false;
        started_s_ = now_s_;
        bench_.line(false);
    }
    void save(bool running) {
        saved_ = protection_->snapshot().memory;
        disk_ = formats::to_text(configuration_.plan, {.memory = protection_->snapshot().memory, .running = running});
    }

    void step() {
        scans_.clear();
        bench_.take_events();
        const core::Instant now{core::Duration{bench_ns_ + 1'000'000'000}};
        instruments_->look(bench_, now, scans_);
        const core::Decision decision = protection_->step(
            {.now = now, .scans = scans_, .commands = commands_, .line = {.known = true, .permit = permit_}});
        ask_second_opinion(decision, now);
        const core::Snapshot& snapshot = protection_->snapshot();
        bool caused = false, permitted = false;
        std::fill(told_.begin(), told_.end(), false);
        for (const core::Event& event : protection_->events()) account(event, caused, permitted);
        commands_.clear();
        check(decision.permit == snapshot.permit, "what is decided is what is shown");
        if (permit_ && !decision.permit) check(caused, "a permit is lost with an event that says why");
        if (!permit_ && decision.permit) {
            check(permitted, "a permit comes with its event");
            check(std::none_of(active_.begin(), active_.end(), [](bool a) { return a; }), "a permit beside a cause");
        }
        for (std::size_t i = 0; i < active_.size(); ++i) {
            if (snapshot.causes[i].active != active_[i])
                fail("events and causes agree on " + std::string{id_of(static_cast<core::SourceIndex>(i))});
        }
        for (std::size_t i = 0; i < latched_.size(); ++i) {
            const bool latched = snapshot.memory.latched[i];
            if (latched_[i] && !latched && !reset_now_) fail("a latch leaves only by a reset");
            if (latched && !latched_[i] && !told_[i]) fail("a latch comes with its event");
        }
        latched_ = snapshot.memory.latched;
        reset_now_ = false;
        permit_ = decision.permit;
        bench_.line(permit_);
        if (snapshot.memory != saved_) save(true);
        check(snapshot.events_dropped == 0, "no event is dropped");
    }

    /// The core here is in order: whatever is wrong with the sensors, nobody else has something against its permit.
    void ask_second_opinion(const core::Decision& decision, core::Instant now) {
        for (const core::Scan& scan : scans_) second_opinion::show(second_opinion_, scan, now);
        second_opinion_.supply(true, now.time_since_epoch());
        const auto name = second_opinion_.objection(now.time_since_epoch());
        if (!name) return;
        ++objections_;
        if (decision.permit) fail("the second opinion is silent beside a core in order: " + std::string{id_of(*name)});
    }

    void account(const core::Event& event, bool& caused, bool& permitted) {
        ++events_;
        check(event.number == last_number_ + 1, "events are numbered without a gap");
        last_number_ = event.number;
        const bool of_source = event.source != core::no_source;
        switch (event.kind) {
            case core::EventKind::permitted:
                ++permits_;
                permitted = true;
                break;
            case core::EventKind::tripped:
                ++trips_;
                caused = true;
                check(!active_[event.source], "one trip for each cause");
                active_[event.source] = told_[event.source] = true;
                fair_trip(event);
                break;
            case core::EventKind::cleared:
                check(active_[event.source], "what clears was a cause");
                active_[event.source] = false;
                break;
            case core::EventKind::latched: told_[event.source] = true; break;
            case core::EventKind::held:
            case core::EventKind::locked_out: caused = true; break;
            case core::EventKind::reset:
                ++resets_;
                reset_now_ = true;
                break;
            case core::EventKind::warning: ++warnings_; break;
            case core::EventKind::rf_on:
                ++transmissions_;
                check(!on_air_, "a transmission begins once");
                on_air_ = true;
                break;
            case core::EventKind::rf_off: on_air_ = false; break;
            case core::EventKind::started: on_air_ = false; break;
            default: break;
        }
        if (options_.verbose)
            std::printf("%s %s %s\n", stamp(now_s_).c_str(), std::string{core::text(event.kind)}.c_str(),
                        of_source ? std::string{id_of(event.source)}.c_str() : "");
        const formats::WallStamp wall{};
        const std::string line = formats::event_json(configuration_.plan, event, wall).dump();
        check(journal_->append(line).empty(), "the journal takes an event");
        if (events_ % 200 == 0) check(journal_->sync().empty(), "the journal syncs");
    }

    /// Nothing is wrong, and it has had the time to settle after the last trouble.
    [[nodiscard]] bool fair() const {
        return trouble_ == nullptr && now_s_ - trouble_changed_s_ > 900.0 && now_s_ - started_s_ > 30.0;
    }
    void fair_trip(const core::Event& event) {
        if (fair()) fail("no false trip in fair weather: " + std::string{id_of(event.source)});
    }

    // ---- the world ----

    void world() {
        bench::Amplifier& amplifier = bench_.amplifier();
        // Day and night, and weather that wanders between; the antenna's VSWR with it, in fair bounds.
        if (now_s_ >= next_weather_s_) {
            next_weather_s_ = now_s_ + 60.0;
            weather_ = std::clamp(weather_ + chance_.between(-0.05, 0.05), -1.0, 1.0);
            if (trouble_ == nullptr || !trouble_->world) {
                amplifier.ambient(15.0 + 10.0 * std::sin(now_s_ * 2.0 * M_PI / 86400.0) + 8.0 * weather_);
                if (trouble_ == nullptr)
                    amplifier.antenna(std::polar(bench::magnitude_of_vswr(1.25 + 0.15 * weather_), 0.5), 60.0);
            }
        }
        if (now_s_ >= next_key_s_) {
            keyed_ = !keyed_;
            amplifier.key(keyed_);
            if (keyed_ && (trouble_ == nullptr || !trouble_->world)) amplifier.drive(chance_.between(0.4, 1.7));
            next_key_s_ = now_s_ + (keyed_ ? std::min(chance_.after(200.0), 1800.0) : chance_.after(120.0) + 2.0);
        }
        if (now_s_ >= next_trouble_s_) {
            if (trouble_ == nullptr) {
                do trouble_ = &troubles()[chance_.of(troubles().size())];
                while (!options_.only.empty() && options_.only != trouble_->name);
                ++trouble_count_;
                for (const char* text : trouble_->begin) command(text);
                next_trouble_s_ = now_s_ + chance_.between(20.0, 600.0);
            } else {
                for (const char* text : trouble_->end) command(text);
                trouble_ = nullptr;
                next_trouble_s_ = now_s_ + 900.0 + chance_.after(1800.0);
            }
            instruments_->coupler = trouble_ != nullptr ? trouble_->coupler : Trouble::Coupler::good;
            if (options_.verbose)
                std::printf("%s ---- %s\n", stamp(now_s_).c_str(), trouble_ ? trouble_->name : "mended");
            trouble_changed_s_ = now_s_;
        }
        if (now_s_ >= next_cut_s_) {
            // The power goes, or somebody stops it; it is back after the boot.
            const bool clean = chance_.one_in(3.0);
            if (clean) save(false);
            const double away_s = chance_.between(1.0, 40.0);
            bench_.line(false);
            for (double gone = 0.0; gone < away_s; gone += step_s) bench_.advance_to(bench_ns_ += step_ns);
            now_s_ += std::ceil(away_s / step_s) * step_s;
            start(!clean);
            next_cut_s_ = now_s_ + chance_.after(3600.0 * 6);
        }
        if (now_s_ >= next_operator_s_) {
            next_operator_s_ = now_s_ + chance_.between(20.0, 200.0);
            operate();
        }
    }

    void operate() {
        const core::Snapshot& snapshot = protection_->snapshot();
        const auto order = [&](core::CommandKind kind, core::Origin origin) {
            commands_.push_back({kind, origin, ++command_id_});
        };
        const core::Memory& memory = snapshot.memory;
        if (memory.held_locally || memory.held_remotely) {
            order(core::CommandKind::release, core::Origin::local);
        } else if (snapshot.state == core::State::latched || snapshot.state == core::State::locked_out) {
            order(core::CommandKind::reset, chance_.one_in(4.0) ? core::Origin::remote : core::Origin::local);
        } else if (chance_.one_in(40.0)) {
            order(core::CommandKind::hold, chance_.one_in(2.0) ? core::Origin::remote : core::Origin::local);
        }
    }

    // ---- what must hold ----

    void watch() {
        const bench::Truth& truth = bench_.amplifier().truth();
        permit_s_ += permit_ ? step_s : 0.0;
        const bool welded = trouble_ != nullptr && trouble_->welds;
        for (Danger& danger : dangers_) {
            const bool unsafe = truth.rf && !welded && danger.is(truth);
            if (!unsafe || danger.since_s < 0.0) danger.since_s = unsafe ? now_s_ : -1.0;
            if (!unsafe) continue;
            const double lasts_s = now_s_ - danger.since_s;
            danger.longest_s = std::max(danger.longest_s, lasts_s);
            if (lasts_s > danger.most_s) fail(std::string{"RF with an unsafe truth for too long: "} + danger.name);
        }
        // Whatever the antenna is, RF through a coupler that can't be believed is said, and ends.
        const bool blind = trouble_ != nullptr && trouble_->coupler != Trouble::Coupler::good && permit_ &&
                           truth.reflected_w > 1.2 && now_s_ - trouble_changed_s_ > 1.0;
        if (!blind || blind_since_s_ < 0.0) blind_since_s_ = blind ? now_s_ : -1.0;
        if (blind) check(now_s_ - blind_since_s_ < 1.0, "RF through a swapped or dead coupler ends");
        // RF that goes on although inhibited can't be stopped by this line; it must be said.
        const bool lasting = welded && !permit_ && truth.forward_w > 2.0;
        if (!lasting || weld_since_s_ < 0.0) weld_since_s_ = lasting ? now_s_ : -1.0;
        if (lasting) {
            const auto alarm = core::source_of(configuration_.plan, core::Builtin::rf_while_inhibited);
            if (!active_[alarm]) {
                longest_weld_s_ = std::max(longest_weld_s_, now_s_ - weld_since_s_);
                check(now_s_ - weld_since_s_ < 0.3, "RF while inhibited is said");
            }
        }
        if (!fair()) {
            fair_since_s_ = -1.0;
            return;
        }
        fair_s_ += step_s;
        fair_permit_s_ += permit_ ? step_s : 0.0;
        if (permit_ || fair_since_s_ < 0.0) fair_since_s_ = now_s_;
        longest_wait_s_ = std::max(longest_wait_s_, now_s_ - fair_since_s_);
        // An operator comes every 200 s at the latest, drive must be absent, and each cause has its hold-off.
        check(now_s_ - fair_since_s_ < 3600.0, "in fair weather with an operator it permits again");
    }

    Options options_;
    Chance chance_;
    bench::Bench bench_;
    formats::Configuration configuration_;
    std::unique_ptr<Instruments> instruments_;
    std::unique_ptr<core::Protection> protection_;
    second_opinion::Monitor second_opinion_;
    std::uint64_t objections_ = 0;  ///< steps in which it had something against a permit that wasn't given
    std::unique_ptr<formats::Journal> journal_;
    std::vector<core::Scan> scans_;
    std::vector<core::Command> commands_;
    std::vector<Danger> dangers_ = dangers();
    std::string disk_;  ///< the state file
    core::Memory saved_;
    std::vector<bool> active_, latched_, told_;
    std::int64_t bench_ns_ = 0;
    double now_s_ = 0.0, started_s_ = 0.0;
    bool permit_ = false, keyed_ = false, reset_now_ = false, on_air_ = false;
    const Trouble* trouble_ = nullptr;
    double trouble_changed_s_ = 0.0, weather_ = 0.0;
    double next_key_s_ = 0.0, next_trouble_s_ = 0.0, next_cut_s_ = 0.0, next_operator_s_ = 0.0, next_weather_s_ = 0.0;
    double permit_s_ = 0.0, fair_s_ = 0.0, fair_permit_s_ = 0.0, fair_since_s_ = -1.0, longest_wait_s_ = 0.0;
    double weld_since_s_ = -1.0, longest_weld_s_ = 0.0, blind_since_s_ = -1.0;
    std::uint64_t last_number_ = 0, events_ = 0, permits_ = 0, trips_ = 0, resets_ = 0, warnings_ = 0, starts_ = 0,
                  unclean_ = 0, transmissions_ = 0, trouble_count_ = 0;
    std::uint32_t command_id_ = 0;
    int failures_ = 0;
};

}  // namespace

int main(int count, char** words) {
    Options options;
    for (int i = 1; i < count; ++i) {
        const std::string word = words[i];
        const char* const value = i + 1 < count ? words[i + 1] : "";
        if (word == "--verbose") {
            options.verbose = true;
            continue;
        }
        if (word == "--hours")
            options.hours = std::strtod(value, nullptr);
        else if (word == "--seed")
            options.seed = std::strtoull(value, nullptr, 10);
        else if (word == "--folder")
            options.folder = value;
        else if (word == "--only" && std::any_of(troubles().begin(), troubles().end(),
                                                 [&](const Trouble& one) { return value == std::string{one.name}; }))
            options.only = value;
        else {
            std::fprintf(
                stderr, "soak: no option '%s'; expected --hours H, --seed S, --folder F, --only TROUBLE or --verbose\n",
                words[i]);
            return 2;
        }
        ++i;
    }
    const bool own_folder = options.folder.empty();
    if (own_folder) {
        options.folder = (std::filesystem::temp_directory_path() / "dekeyd-soak-XXXXXX").string();
        if (::mkdtemp(options.folder.data()) == nullptr) return 2;
    }
    const int result = Soak{options}.run();
    std::error_code ignored;
    if (own_folder) std::filesystem::remove_all(options.folder, ignored);
    return result;
}
