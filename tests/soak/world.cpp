#include "soak/world.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <cstdio>
#include <utility>

namespace dekeyd::soak {
namespace {

// The guard's own clock is later than any machine's: what it notes while it begins by the real one then lies before.
constexpr core::Instant epoch{std::chrono::hours{100'000}};
constexpr double shortest_gap_s = 900.0;
constexpr double settles_s = 900.0;  // the heatsink, after the last trouble

bool is_among(const std::vector<Trouble>& all, const std::string& name) {
    return std::any_of(all.begin(), all.end(), [&](const Trouble& one) { return name == one.name; });
}

}  // namespace

World::World(const Options& options, const formats::Configuration& configuration)
    : chance{options.seed}, options_{options}, bench_{options.seed}, instruments_{configuration, bench_, contacts_} {
    contacts_.move(Contacts::lid, true);
    command("drive 1.4 W");
    next_key_s_ = chance.between(5.0, 30.0);
    amplifier_.next_s = chance.after(600.0 / pace());
    computer_.next_s = chance.after(1800.0 / pace());
}

core::Instant World::now() const noexcept {
    return epoch + core::Duration{now_ns_ - asleep_ns_};
}

void World::command(const char* text) {
    double volts = 0.0;
    if (std::sscanf(text, "supply %lf V", &volts) == 1) {
        supply_v_ = volts;
        supplied_ = !contactor_closed_;  // to be set anew
        return;
    }
    if (std::sscanf(text, "ambient %lf C", &air_c_) == 1) return;  // air() goes there
    const std::string wrong = bench_.command(text);
    if (!wrong.empty()) amiss_ = std::string{"the bench takes '"} + text + "': " + wrong;
}

bool World::is_fair() const noexcept {
    return amplifier_.trouble == nullptr && now_s_ - amplifier_.changed_s > settles_s && is_line_in_order() &&
           computer_.trouble == nullptr;
}

void World::sleep(double seconds) {
    for (const double until_s = now_s_ + seconds; now_s_ < until_s; asleep_ns_ += step_ns) advance();
}

bool World::take_sleep() {
    return std::exchange(sleep_, false);
}

ContactFault World::contactor_fault() const noexcept {
    return computer_.trouble != nullptr ? computer_.trouble->contact : ContactFault::good;
}

bool World::take_restart() {
    return std::exchange(restart_, false);
}

void World::advance() {
    weather();
    air();
    exciter();
    change(amplifier_, amplifier_troubles(), shortest_gap_s);
    change(computer_, computer_troubles(), 2700.0);
    contacts();
    supply();
    if (pad.fault != PadFault::good) pad_amiss_s_ = now_s_;
    if (contactor.fault != PadFault::good || contactor_fault() != ContactFault::good) contactor_amiss_s_ = now_s_;
    bench_.take_events();
    bench_.line(pad.permit);
    bench_.advance_to(now_ns_ += step_ns);
    now_s_ = static_cast<double>(now_ns_) * 1e-9;
}

void World::supply() {
    if (supplied_ == contactor_closed_) return;
    supplied_ = contactor_closed_;
    bench_.amplifier().supply(supplied_ ? supply_v_ : 0.0);
}

void World::contacts() {
    constexpr double contactor_moves_s = 0.03;
    if (std::exchange(coil_, contactor.permit) != contactor.permit) coil_s_ = now_s_;
    if (now_s_ - coil_s_ >= contactor_moves_s) {
        const bool welded = contactor_fault() == ContactFault::contactor_welds && contactor_closed_;
        contactor_closed_ = welded || (coil_ && contactor_fault() != ContactFault::contactor_never_closes);
    }
    contacts_.move(Contacts::contactor, !contactor_closed_);
    const ContactFault fault = amplifier_.trouble != nullptr ? amplifier_.trouble->contact : ContactFault::good;
    contacts_.move(Contacts::lid, fault != ContactFault::lid_opens);
    contacts_.move(Contacts::leak, fault == ContactFault::leak);
    contact_left_ = fault == ContactFault::lid_opens || fault == ContactFault::leak;
    constexpr double seldom = 5.0 / step_s;
    if ((fault == ContactFault::lid_shakes || fault == ContactFault::drips) && chance.one_in(seldom)) {
        contacts_.flick(fault == ContactFault::drips ? Contacts::leak : Contacts::lid);
        contact_left_ = true;
    }
}

// Day and night, and weather that wanders between; the antenna's VSWR with it, in fair bounds.
void World::weather() {
    if (now_s_ < next_weather_s_) return;
    next_weather_s_ = now_s_ + 60.0;
    weather_ = std::clamp(weather_ + chance.between(-0.05, 0.05), -1.0, 1.0);
    if (amplifier_.trouble != nullptr && amplifier_.trouble->world) return;
    bench::Amplifier& amplifier = bench_.amplifier();
    air_c_ = 15.0 + 10.0 * std::sin(now_s_ * 2.0 * M_PI / 86400.0) + 8.0 * weather_;
    if (amplifier_.trouble == nullptr)
        amplifier.antenna(std::polar(bench::magnitude_of_vswr(1.25 + 0.15 * weather_), 0.5), 10.0);
}

// No air jumps: a reading of a second ago, and a power compensated by it, would be far off and nothing wrong with them.
void World::air() {
    constexpr double per_step_c = 0.5 * step_s;
    bench::Amplifier& amplifier = bench_.amplifier();
    const double now_c = amplifier.truth().ambient_c;
    amplifier.ambient(now_c + std::clamp(air_c_ - now_c, -per_step_c, per_step_c));
}

void World::exciter() {
    const bool sends = amplifier_.trouble != nullptr && amplifier_.trouble->sends;
    if (sends ? keyed_ : now_s_ < next_key_s_) return;
    keyed_ = !keyed_;
    bench_.amplifier().key(keyed_);
    if (keyed_ && (amplifier_.trouble == nullptr || !amplifier_.trouble->world))
        bench_.amplifier().drive(low_power ? chance.between(0.03, 0.25) : chance.between(0.4, 1.7));
    next_key_s_ = now_s_ + (keyed_ ? std::min(chance.after(200.0), 1800.0) : chance.after(120.0) + 2.0);
}

void World::change(Row& row, const std::vector<Trouble>& all, double mean_gap_s) {
    if (now_s_ < row.next_s) return;
    if (row.trouble == nullptr) {
        const bool mine = is_among(all, options_.only);
        // One that is asked for by name comes alone in its row; those of the amplifier go on beside the computer's.
        if (!options_.only.empty() && !mine && &row == &computer_) return void(row.next_s = now_s_ + 1e9);
        do row.trouble = &all[chance.of(all.size())];
        while (mine && options_.only != row.trouble->name);
        ++row.count;
        begin(*row.trouble);
        row.next_s = now_s_ + chance.between(20.0, 600.0 / std::sqrt(pace()));
    } else {
        for (const char* text : row.trouble->end) command(text);
        row.trouble = nullptr;
        const double gap_s = is_among(all, options_.only) ? shortest_gap_s : mean_gap_s;
        row.next_s = now_s_ + (gap_s + chance.after(2.0 * gap_s)) / pace();
    }
    const Trouble* const sensors = amplifier_.trouble;
    const Trouble* const computer = computer_.trouble;
    instruments_.lie = sensors != nullptr ? sensors->lie : Lie::none;
    set_pad(pad, computer != nullptr ? computer->pad : PadFault::good);
    set_pad(contactor, computer != nullptr ? computer->contactor : PadFault::good);
    disk.fault = computer != nullptr ? computer->disk : DiskFault::good;
    row.changed_s = now_s_;
    if (options_.verbose)
        std::printf("%s ---- %s\n", stamp(now_s_).c_str(), row.trouble != nullptr ? row.trouble->name : "mended");
}

void World::set_pad(Pad& pad, PadFault fault) {
    if (pad.fault == fault) return;
    pad.fault = fault;
    const bool stuck = fault == PadFault::stuck_permit || fault == PadFault::stuck_inhibit;
    if (stuck) pad.permit = fault == PadFault::stuck_permit;
    if (fault == PadFault::good && !pad.refused) pad.permit = pad.asked;
}

void World::begin(const Trouble& trouble) {
    for (const char* text : trouble.begin) command(text);
    restart_ = restart_ || trouble.from_start;
    sleep_ = sleep_ || trouble.sleeps;
}

}  // namespace dekeyd::soak
