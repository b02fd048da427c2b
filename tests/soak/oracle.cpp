#include "soak/oracle.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <utility>

#include "configuration/delay.hpp"
#include "configuration/raw_bounds.hpp"
#include "second_opinion/scans.hpp"
#include "words/event_text.hpp"

namespace dekeyd::soak {
namespace {

constexpr double drive_absent_w = 0.05;  // as the station says it; a reading may be off by a tenth
/// An erratic thermometer has to be steady for some fifty readings before it is believed again.
constexpr double erratic_for_s = 70.0;
constexpr double relay_s = 0.008, steps_late_s = 2.0 * step_s;
// The line's next look, and what RF while inhibited takes to be said.
constexpr double contactor_moves_s = 0.03 + 0.01;
constexpr double seen_within_s = 1.0 + 0.3 + contactor_moves_s;

unsigned long long n(std::uint64_t count) {
    return count;
}

}  // namespace

Oracle::Oracle(const Options& options, const formats::Configuration& configuration, World& world, const Daemon& daemon)
    : options_{options}, configuration_{configuration}, world_{world}, daemon_{daemon} {
    const std::size_t sources = core::source_count(configuration.plan);
    active_.assign(sources, false);
    latched_ = told_ = active_;
    lies_.resize(configuration.plan.channels.size());
    using T = bench::Truth;
    add("heatsink", [](const T& t) { return t.heatsink_c; }, 71.0, 69.0, {"heatsink"});
    add("flange", [](const T& t) { return t.device_c; }, 116.0, 109.0, {"flange"});
    add("vswr", [](const T& t) { return t.forward_w > 8.0 ? t.vswr : 1.0; }, 2.4, 1.6, {"forward", "reflected"});
    add("reflected", [](const T& t) { return t.reflected_w; }, 30.0, 18.0, {"reflected"});
    add("drive", [](const T& t) { return t.drive_w; }, 3.0, 1.8, {"drive"});
    add("exciter", [](const T& t) { return t.drive_w; }, 3.0, 2.2, {"exciter"});
    add("forward", [](const T& t) { return t.forward_w; }, 145.0, 95.0, {"forward", "ambient"});
    add("supply-high", [](const T& t) { return t.supply_v; }, 31.2, 30.6, {"supply"});
    add("supply-low", [](const T& t) { return t.supply_v; }, -1.0, 24.2, {"supply"});
    add("current", [](const T& t) { return t.current_a; }, 15.0, 13.5, {"current"});
    add("commissioning-forward", [](const T& t) { return t.forward_w; }, 15.0, 7.0, {"forward", "ambient"});
    add("commissioning-reflected", [](const T& t) { return t.reflected_w; }, 2.5, 1.0, {"reflected"});
    add("commissioning-heatsink", [](const T& t) { return t.heatsink_c; }, 51.0, 49.0, {"heatsink"});
}

void Oracle::add(std::string_view limit, double (*truth)(const bench::Truth&), double unsafe, double possible,
                 std::vector<const char*> sensors) {
    const auto& limits = configuration_.plan.limits;
    const auto found = std::find_if(limits.begin(), limits.end(), [&](const auto& one) { return one.id == limit; });
    Guarded guarded;
    guarded.limit = &*found;
    guarded.source = static_cast<core::SourceIndex>(found - limits.begin());
    guarded.truth = truth;
    guarded.unsafe = unsafe;
    guarded.possible = possible;
    core::Duration age{};
    for (const char* id : sensors) {
        guarded.sensors.push_back(sensor(id));
        age = std::max(age, configuration_.plan.channels[guarded.sensors.back()].allowed_age);
    }
    const formats::WorstDelay delay = formats::worst_delay(configuration_, *found);
    guarded.most_s = core::seconds(delay.total()) + relay_s + steps_late_s;
    guarded.most_blind_s = guarded.most_s + core::seconds(age);
    const second_opinion::Bounds raw = formats::raw_bounds(configuration_);
    for (const second_opinion::Bound& bound : raw.bounds) {
        // One with a gate says nothing without RF, which the core has ended long before.
        if (bound.name != guarded.source || bound.gate != second_opinion::none) continue;
        guarded.objected_s = guarded.most_s + core::seconds(bound.patience) + core::seconds(raw.supply_time);
    }
    guarded_.push_back(std::move(guarded));
}

void Oracle::fail(const std::string& what) {
    ++failures_;
    const Row& row = world_.amplifier();
    const Row& other = world_.computer();
    std::printf(
        "%s: DOES NOT HOLD: %s\nfound after %.1f simulated minutes\n  troubles: %s (%.1f s old), %s (%.1f s old); "
        "seed %llu\n",
        stamp(world_.now_s()).c_str(), what.c_str(), world_.now_s() / 60.0,
        row.trouble != nullptr ? row.trouble->name : "none", world_.now_s() - row.changed_s,
        other.trouble != nullptr ? other.trouble->name : "none", world_.now_s() - other.changed_s, n(options_.seed));
    const core::Snapshot& snapshot = seen();
    std::printf("  state %s, permit %d, pad %d;", std::string{core::text(snapshot.state)}.c_str(), snapshot.permit,
                world_.pad.permit);
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        if (snapshot.causes[i].active)
            std::printf(" %s", std::string{id_of(static_cast<core::SourceIndex>(i))}.c_str());
    }
    const bench::Truth& t = world_.truth();
    std::printf("\n  truth: %.1f W, VSWR %.2f, reflected %.1f W, drive %.2f W, %.1f and %.1f degC, %.2f V, %.1f A\n",
                t.forward_w, t.vswr, t.reflected_w, t.drive_w, t.heatsink_c, t.device_c, t.supply_v, t.current_a);
}

std::string_view Oracle::id_of(core::SourceIndex source) const {
    return source == core::no_source ? "-" : core::describe_source(configuration_.plan, source).id;
}

std::size_t Oracle::sensor(std::string_view id) const {
    const auto& channels = configuration_.plan.channels;
    return static_cast<std::size_t>(
        std::find_if(channels.begin(), channels.end(), [&](const auto& one) { return one.id == id; }) -
        channels.begin());
}

bool Oracle::has(core::Builtin builtin) const {
    return active_[core::source_of(configuration_.plan, builtin)];
}

double Oracle::seconds_ago(core::Instant at) const {
    return core::seconds(world_.now() - at);
}

// ---- a start ---------------------------------------------------------------------------------------------------

void Oracle::started(End end) {
    ++starts_;
    const formats::StoredState& found = daemon_.found();
    const core::Memory& kept = found.memory;
    if (end != End::none) {
        const core::Memory& must = end == End::power_lost ? durable_ : last_;
        for (std::size_t i = 0; i < must.latched.size(); ++i) {
            if (!must.latched[i]) continue;
            ++latches_kept_;
            if (!kept.unreadable && !kept.latched[i])
                fail("a latch outlasts a restart: " + std::string{id_of(static_cast<core::SourceIndex>(i))});
        }
        check(!must.locked_out || kept.locked_out || kept.unreadable, "a lockout outlasts a restart");
        check(!must.unreadable || kept.unreadable, "what can't be read stays latched over a restart");
        check(!must.first_start || kept.first_start || kept.unreadable, "the first start's latch outlasts a restart");
        check(!must.held_locally || kept.held_locally || kept.unreadable, "a local hold outlasts a restart");
        check(!must.held_remotely || kept.held_remotely || kept.held_locally || kept.unreadable,
              "a remote hold outlasts a restart");
        holds_kept_ += must.held_locally || must.held_remotely ? 1U : 0U;
        const bool clean = end == End::stopped;
        unclean_ += clean ? 0U : 1U;
        check(clean || !start_saved_ || found.running, "an unclean stop shows at the next start");
        check(!clean || !found.running, "a clean stop shows at the next start");
    }
    last_ = kept;
    durable_ = end == End::none ? core::Memory{} : durable_;
    second_opinion_ = formats::second_opinion_of(configuration_);
    latched_ = kept.latched;
    latched_.resize(core::source_count(configuration_.plan));
    for (Guarded& one : guarded_) {
        one.raw_since_s = -1.0;
        if (latched_[one.source])
            one.shown_s = world_.now_s();  // a reading said so before the restart: nothing else latches
    }
    active_ = latched_;
    commissioning_ = false;
    apart_since_s_ = left_s_ = -1.0;
    last_number_ = 0;
    cycles_ = daemon_.cycles();
    stepped_ = woken_ = false;
    permit_ = on_air_ = start_saved_ = saved_ = dropped_ = false;
    held_ = kept.held_locally || kept.held_remotely;
    started_s_ = world_.now_s();
}

void Oracle::commanded(const core::Command& command) {
    if ((command.id & too_late) != 0) return;
    released_ = released_ || command.kind == core::CommandKind::release;
    reset_ = reset_ || command.kind == core::CommandKind::reset;
    commissioned_ = commissioned_ || command.kind == core::CommandKind::commission;
}

// What was before is kept by the guard's clock, which stood still.
void Oracle::slept(double seconds) {
    slept_s_ = world_.now_s();
    woken_ = stepped_;  // a daemon that has read nothing yet has nothing to forget
    for (Guarded& one : guarded_) {
        one.since_s = one.raw_since_s = -1.0;
        one.beyond_s += seconds;
        one.shown_s += seconds;
    }
    for (Lies& one : lies_) one.last_s += seconds;
    drive_seen_s_ += seconds;
    silent_drive_s_ += seconds;
    supply_changed_s_ += seconds;
    commissioning_s_ += seconds;
    apart_since_s_ = left_s_ = -1.0;
    weld_since_s_ = blind_since_s_ = untold_since_s_ = unopened_since_s_ = -1.0;
}

// ---- a step ----------------------------------------------------------------------------------------------------

void Oracle::look(const std::vector<core::Scan>& scans) {
    ++steps_;
    stepped_ = true;
    truths_[steps_ % truths_.size()] = world_.truth();
    const double drive_w = world_.truth().drive_w;
    if (drive_w > drive_absent_w * 0.9) drive_seen_s_ = world_.now_s();
    if (drive_w < drive_absent_w * 1.2) silent_drive_s_ = world_.now_s();
    // Limits of the supply come into force by what was ordered; the supply comes by the contacts.
    const bool moved = std::exchange(supplied_, world_.contactor_closed()) != world_.contactor_closed();
    const bool told = std::exchange(told_closed_, seen().contactor_closed) != seen().contactor_closed;
    if (moved || told) supply_changed_s_ = world_.now_s();
    note_truth();
    caused_ = permitted_ = false;
    std::fill(told_.begin(), told_.end(), false);
    for (const core::Event& event : daemon_.events()) account(event);
    judge_memory();
    judge_decision();
    judge_line();
    judge_commissioning(scans);
    judge_dangers();
    judge_blind();
    judge_contacts();
    judge_readings();
    judge_reasons();
    judge_weather();
    judge_second_opinion(scans);
    permit_ = daemon_.decided();
    released_ = reset_ = commissioned_ = false;
    check(world_.amiss().empty(), world_.amiss().c_str());
}

void Oracle::note_truth() {
    for (Guarded& one : guarded_) {
        const double value = one.truth(world_.truth());
        const bool above = one.limit->direction == core::Direction::above;
        if (above ? value >= one.possible : value <= one.possible) one.beyond_s = world_.now_s();
    }
    const Trouble* const trouble = world_.amplifier().trouble;
    if (trouble == nullptr) return;
    for (const char* id : trouble->lies) {
        Lies& of = lies_[sensor(id)];
        if (world_.now_s() - of.last_s > 2.0 * step_s) of.began_s = world_.now_s();
        of.last_s = world_.now_s();
        of.lasts_s = trouble->erratic ? erratic_for_s
                                      : core::seconds(configuration_.plan.channels[sensor(id)].allowed_age) + 2.0;
    }
}

void Oracle::account(const core::Event& event) {
    ++events;
    check(event.number == last_number_ + 1, "events are numbered without a gap");
    last_number_ = event.number;
    check((event.command_id & too_late) == 0, "an order that waited too long is void");
    const bool of_source = event.source != core::no_source;
    switch (event.kind) {
        case core::EventKind::permitted:
            ++permits_;
            permitted_ = true;
            break;
        case core::EventKind::tripped:
            ++trips;
            caused_ = true;
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
        case core::EventKind::locked_out: caused_ = true; break;
        case core::EventKind::reset:
            ++resets_;
            check(reset_, "a reset comes from an operator");
            dropped_ = false;
            break;
        case core::EventKind::released: check(released_, "a release comes from an operator"); break;
        case core::EventKind::commissioning: check(commissioned_, "commissioning comes from an operator"); break;
        case core::EventKind::contactor_opened: dropped_ = true; break;
        case core::EventKind::contactor_closed:
            check(!world_.contactor_closed(), "a contactor closes only after its contacts were seen open");
            check(!dropped_, "a contactor that dropped the supply closes after a reset");
            break;
        case core::EventKind::warning: ++warnings_; break;
        case core::EventKind::rf_on:
            ++transmissions_;
            check(!on_air_, "a transmission begins once");
            on_air_ = true;
            break;
        case core::EventKind::rf_off:
        case core::EventKind::started: on_air_ = false; break;
        default: break;
    }
    if (options_.verbose)
        std::printf("%s %s %s\n", stamp(world_.now_s()).c_str(), std::string{core::text(event.kind)}.c_str(),
                    of_source ? std::string{id_of(event.source)}.c_str() : "");
}

void Oracle::judge_memory() {
    const core::Memory& memory = seen().memory;
    for (std::size_t i = 0; i < active_.size(); ++i) {
        if (seen().causes[i].active != active_[i])
            fail("events and causes agree on " + std::string{id_of(static_cast<core::SourceIndex>(i))});
    }
    for (std::size_t i = 0; i < latched_.size(); ++i) {
        if (latched_[i] && !memory.latched[i] && !reset_) fail("a latch leaves only by a reset");
        if (memory.latched[i] && !latched_[i] && !told_[i]) fail("a latch comes with its event");
    }
    if (latched_ != memory.latched) latched_ = memory.latched;
    const bool holds = memory.held_locally || memory.held_remotely;
    check(!held_ || holds || released_, "a hold leaves only by a release");
    check(!holds || !daemon_.decided(), "nothing is permitted while held");
    held_ = holds;
    if (last_ != memory) last_ = memory;
    saved_ = daemon_.all_saved();
    start_saved_ = daemon_.start_saved();
    if (saved_ && durable_ != memory) durable_ = memory;
    check(saved_ || world_.disk.fault != DiskFault::full, "a storage that is full takes what has its room");
}

void Oracle::judge_decision() {
    const bool permit = daemon_.decided();
    if (std::exchange(woken_, false)) {
        check(has(core::Builtin::suspended) && !permit, "a sleep takes the permit away");
        const auto& read = seen().quantities;
        check(std::none_of(read.begin(), read.end(), [](const auto& one) { return one.measured(); }),
              "what was read before a sleep is no reading after it");
    }
    if (permit_ && !permit) check(caused_, "a permit is lost with an event that says why");
    if (permit_ || !permit) return;
    check(permitted_, "a permit comes with its event");
    check(std::none_of(active_.begin(), active_.end(), [](bool a) { return a; }), "a permit beside a cause");
    check(start_saved_, "a permit begins when the start is durable");
    const bool drive_hidden = lied(sensor("drive"), world_.now_s());
    check(drive_hidden || world_.now_s() - silent_drive_s_ < 0.1, "a permit begins only with drive absent");
}

// What is published is what the pad does, or the pad's fault is said.
void Oracle::judge_line() {
    const Pad& pad = world_.pad;
    const core::Snapshot& snapshot = seen();
    const bool cycle_counted = daemon_.cycles() != cycles_;
    cycles_ = daemon_.cycles();
    if (pad.fault == PadFault::refuses && !daemon_.decided() && pad.refused) {
        check(!cycle_counted, "a cycle whose inhibit was refused isn't a completed one");
        check(snapshot.permit && snapshot.line_refuses, "a refused inhibit is published as permit unknown");
    }
    const bool untold = pad.permit && !snapshot.permit && !has(core::Builtin::line_mismatch);
    if (!untold || untold_since_s_ < 0.0) untold_since_s_ = untold ? world_.now_s() : -1.0;
    if (untold) check(world_.now_s() - untold_since_s_ < 1.0 + steps_late_s, "a pad at permit is said");
    check(pad.permit || !snapshot.permit || pad.fault != PadFault::good || !world_.is_pad_in_order(),
          "permit is published with the pad at inhibit");
    const bool unopened =
        world_.contactor.permit && !snapshot.contactor_closed && !has(core::Builtin::contactor_line_mismatch);
    if (!unopened || unopened_since_s_ < 0.0) unopened_since_s_ = unopened ? world_.now_s() : -1.0;
    if (unopened)
        check(world_.now_s() - unopened_since_s_ < 1.0 + steps_late_s, "a contactor that stays closed is said");
    check(snapshot.events_dropped == 0, "no event is dropped");
}

// ---- unsafe truths ---------------------------------------------------------------------------------------------

void Oracle::judge_dangers() {
    const bench::Truth& truth = world_.truth();
    // A line that doesn't obey is seen within a second, and RF while inhibited at once; the contactor then ends it.
    const bool obeys = !world_.welded() && world_.is_pad_in_order();
    const bool contactor_obeys =
        world_.contactor.fault == PadFault::good && world_.contactor_fault() == ContactFault::good;
    for (Guarded& one : guarded_) {
        const double value = one.truth(truth);
        const bool above = one.limit->direction == core::Direction::above;
        const core::Reading& shown = seen().quantities[one.limit->watch];
        const double edge = above ? std::max(shown.high, shown.value) : std::min(shown.low, shown.value);
        const bool told = shown.health != core::Health::unknown && shown.health != core::Health::not_measurable;
        if (told && (above ? edge >= one.limit->trip : edge <= one.limit->trip)) one.shown_s = world_.now_s();
        const bool watches = !one.limit->provisional || commissioning_;
        const bool unsafe =
            watches && (obeys || contactor_obeys) && truth.rf && (above ? value > one.unsafe : value < one.unsafe);
        if (!unsafe || one.since_s < 0.0) one.since_s = unsafe ? world_.now_s() : -1.0;
        if (!unsafe) continue;
        const double lasts_s = world_.now_s() - one.since_s;
        const double most_s = lied_any(one.sensors, one.since_s) ? one.most_blind_s : one.most_s;
        const double later_s = obeys ? 0.0 : seen_within_s;
        one.longest_s = std::max(one.longest_s, lasts_s);
        if (lasts_s > most_s + later_s) fail("RF with an unsafe truth for longer than check states: " + one.limit->id);
    }
}

void Oracle::judge_blind() {
    const bench::Truth& truth = world_.truth();
    const double now_s = world_.now_s();
    const Row& row = world_.amplifier();
    const Lie lie = row.trouble != nullptr ? row.trouble->lie : Lie::none;
    const bool permit = daemon_.decided();
    // Whatever the antenna is, RF through a coupler that can't be believed is said, and ends.
    bool blind = false;
    double most_s = 1.0;
    switch (lie) {
        case Lie::coupler_swapped: blind = std::max(truth.forward_w, truth.reflected_w) > 2.0; break;
        case Lie::forward_dead: blind = truth.reflected_w > 1.2; break;
        case Lie::reflected_dead:
        case Lie::forward_reversed:
        case Lie::scale_zero:
        case Lie::scale_negative: blind = truth.forward_w > 20.0; break;
        // Believed at no time, or for some readings of its one second.
        case Lie::heatsink_alternates: blind = truth.rf, most_s = 20.0; break;
        case Lie::flange_power_on: blind = true, most_s = 0.0; break;
        case Lie::probe_gone: blind = true; break;
        case Lie::none: break;
    }
    blind = blind && permit && now_s - row.changed_s > 1.0;
    if (!blind || blind_since_s_ < 0.0) blind_since_s_ = blind ? now_s : -1.0;
    if (blind) check(now_s - blind_since_s_ < most_s, "RF beside a sensor that can't be believed ends");
    // RF that goes on although inhibited can't be stopped by this line; it must be said.
    const bool seen = lie == Lie::forward_dead ? truth.reflected_w > 1.5 : truth.forward_w > 2.0;
    const bool lasting = world_.welded() && !permit && seen;
    if (!lasting || weld_since_s_ < 0.0) weld_since_s_ = lasting ? now_s : -1.0;
    if (lasting && !has(core::Builtin::rf_while_inhibited)) {
        longest_weld_s_ = std::max(longest_weld_s_, now_s - weld_since_s_);
        check(now_s - weld_since_s_ < 0.3, "RF while inhibited is said");
    }
}

// A contact that leaves its position for a moment only takes the permit away, and the contactor's own are believed.
void Oracle::judge_contacts() {
    constexpr double contactor_time_s = 0.5, look_s = 0.05;
    const double now_s = world_.now_s();
    if (!daemon_.decided())
        left_s_ = -1.0;
    else if (world_.contact_left() && left_s_ < 0.0)
        left_s_ = now_s;
    check(left_s_ < 0.0 || now_s - left_s_ < look_s, "a contact that left its position takes the permit away");
    const bool ordered = seen().contactor_closed;
    const bool apart = world_.contactor_closed() != ordered;
    if (std::exchange(ordered_, ordered) != ordered) apart_since_s_ = -1.0;
    if (!apart || apart_since_s_ < 0.0) apart_since_s_ = apart ? now_s : -1.0;
    if (!apart || now_s - apart_since_s_ < contactor_time_s + contactor_moves_s + look_s) return;
    check(has(ordered ? core::Builtin::contactor_stuck_open : core::Builtin::contactor_stuck_closed),
          "a contactor whose contacts don't obey is said");
}

// What comes into force is no limit that was found clear, before its sensor's next look.
void Oracle::judge_commissioning(const std::vector<core::Scan>& scans) {
    const double now_s = world_.now_s();
    for (const core::Scan& scan : scans) {
        if (scan.sampler == configuration_.plan.channels[sensor("heatsink")].sampler) wire_read_s_ = now_s;
    }
    const bool now = seen().commissioning_until.has_value();
    if (std::exchange(commissioning_, now) != now) commissioning_s_ = now_s;
    if (!now) return;
    const double since_s = now_s - commissioning_s_;
    if (since_s > 1.5 * step_s && wire_read_s_ <= commissioning_s_)
        check(!daemon_.decided(), "a limit that comes into force waits for its look");
}

void Oracle::judge_weather() {
    permit_s_ += daemon_.decided() ? step_s : 0.0;
    if (!world_.is_fair() || world_.now_s() - began_s() < 30.0) {
        fair_since_s_ = -1.0;
        return;
    }
    const double now_s = world_.now_s();
    fair_s_ += step_s;
    fair_permit_s_ += permit_ ? step_s : 0.0;
    if (permit_ || fair_since_s_ < 0.0) fair_since_s_ = now_s;
    longest_wait_s_ = std::max(longest_wait_s_, now_s - fair_since_s_);
    // An operator comes every 200 s at the latest, drive must be absent, and each cause has its hold-off.
    check(now_s - fair_since_s_ < 3600.0, "in fair weather with an operator it permits again");
    for (std::size_t i = 0; i < lies_.size(); ++i) {
        if (seen().channels[i].lost) fail("in fair weather each sensor is read: " + configuration_.plan.channels[i].id);
    }
}

void Oracle::judge_second_opinion(const std::vector<core::Scan>& scans) {
    const core::Instant now = world_.now();
    for (const core::Scan& scan : scans) second_opinion::show(second_opinion_, scan, now);
    const bool closed = seen().contactor_closed && world_.contactor.asked && !world_.contactor.refused;
    second_opinion_.supply(closed, now.time_since_epoch());
    const auto name = second_opinion_.objection(now.time_since_epoch());
    for (Guarded& one : guarded_) {
        const double value = one.truth(world_.truth());
        const bool above = one.limit->direction == core::Direction::above;
        const bool unsafe = closed && one.objected_s && (above ? value > one.unsafe : value < one.unsafe);
        if (!unsafe || one.raw_since_s < 0.0) one.raw_since_s = unsafe ? world_.now_s() : -1.0;
        if (!unsafe || world_.now_s() - one.raw_since_s < *one.objected_s || lied_any(one.sensors, one.raw_since_s))
            continue;
        ++objections_due_;
        if (!name) fail("the second opinion stands against an unsafe truth that lasts: " + one.limit->id);
    }
    if (!name) return;
    ++objections_;
    if (daemon_.decided()) fail("the second opinion is silent beside a core in order: " + std::string{id_of(*name)});
}

// ---- the end ---------------------------------------------------------------------------------------------------

void Oracle::finish() {
    if (failures_ > 0 || !options_.only.empty()) return;
    check(permits_ > 0 && trips > 0 && resets_ > 0, "something happened");
}

void Oracle::print() const {
    std::printf(
        "%llu events: %llu permits, %llu trips, %llu resets, %llu warnings, %llu starts (%llu unclean), "
        "%llu transmissions, %llu troubles of the amplifier, %llu of the computer\n",
        n(events), n(permits_), n(trips), n(resets_), n(warnings_), n(starts_), n(unclean_), n(transmissions_),
        n(world_.amplifier().count), n(world_.computer().count));
    std::printf(
        "permit %.1f %% of the time, %.1f %% of fair weather; longest wait for a permit in fair weather "
        "%.0f s\n",
        100.0 * permit_s_ / std::max(world_.now_s(), 1.0), 100.0 * fair_permit_s_ / std::max(fair_s_, 1.0),
        longest_wait_s_);
    std::printf(
        "over restarts: %llu latches and %llu holds kept; %llu reasons and %llu readings held against the truth\n",
        n(latches_kept_), n(holds_kept_), n(reasons_), n(readings_));
    std::printf("second opinion: against a permit in %llu steps, none of them permitted; %llu of them by the truth\n",
                n(objections_), n(objections_due_));
    std::printf("welded relay with RF: said within %.3f s\n", longest_weld_s_);
    for (const Guarded& one : guarded_) {
        std::printf("%-12s unsafe with RF for at most %6.3f s (check states %.3f s; with a silent sensor %.3f s)\n",
                    one.limit->id.c_str(), one.longest_s, one.most_s, one.most_blind_s);
    }
}

}  // namespace dekeyd::soak
