// The oracle, of what is said: readings against the truth, causes against what was planted, reasons against both.
#include <algorithm>
#include <array>

#include "soak/oracle.hpp"
#include "words/event_text.hpp"
#include "words/reason.hpp"

namespace dekeyd::soak {
namespace {

/// A trip may follow a truth after the slowest reaction that check states, a cause linger behind its end.
constexpr double lingers_s = 5.0;
constexpr double starts_within_s = 15.0;
/// Of the supply after the contactor's contacts.
constexpr double contactor_time_s = 0.5;

}  // namespace

bool Oracle::lied(std::size_t sensor, double since_s) const {
    return lies_[sensor].last_s >= since_s - lies_[sensor].lasts_s;
}

/// A limit that has come into force was never evaluated until its sensor's first look.
bool Oracle::comes_into_force(const core::LimitPlan& limit, double since_s) const {
    if (!limit.while_supplied && !limit.provisional) return false;
    const formats::BusConfig& bus = configuration_.buses[configuration_.plan.channels[limit.watch].sampler];
    const double look_s = core::seconds(bus.period + bus.conversion) + 0.1;
    return (limit.while_supplied && since_s - supply_changed_s_ < contactor_time_s + look_s) ||
           (limit.provisional && since_s - commissioning_s_ < look_s);
}

bool Oracle::lied_any(const std::vector<std::size_t>& sensors, double since_s) const {
    return std::any_of(sensors.begin(), sensors.end(), [&](std::size_t one) { return lied(one, since_s); });
}

/// Something true or planted is behind a source's being a cause.
bool Oracle::explained(core::SourceIndex source, double since_s) const {
    const core::Plan& plan = configuration_.plan;
    const core::SourceInfo info = core::describe_source(plan, source);
    if (info.kind == core::SourceInfo::Kind::channel) return lied(info.index, since_s);
    if (info.kind == core::SourceInfo::Kind::limit) {
        const auto one = std::find_if(guarded_.begin(), guarded_.end(), [&](auto& g) { return g.source == source; });
        if (one == guarded_.end()) return lied(plan.limits[info.index].watch, since_s);  // a contact's
        return one->beyond_s >= since_s - lingers_s || lied_any(one->sensors, since_s) ||
               comes_into_force(*one->limit, since_s);
    }
    const auto any_of = [&](std::initializer_list<const char*> ids) {
        return std::any_of(ids.begin(), ids.end(), [&](const char* id) { return lied(sensor(id), since_s); });
    };
    switch (static_cast<core::Builtin>(info.index)) {
        case core::Builtin::line_mismatch: return world_.pad.fault != PadFault::late && !world_.is_pad_in_order();
        case core::Builtin::contactor_line_mismatch: return !world_.is_contactor_in_order();
        case core::Builtin::contactor_stuck_closed:
        case core::Builtin::contactor_stuck_open: return !world_.is_contactor_in_order();
        case core::Builtin::suspended: return since_s - slept_s_ < 1.0;
        case core::Builtin::rf_while_inhibited:
            return world_.welded() || !world_.is_pad_in_order() || any_of({"forward", "reflected", "current"});
        case core::Builtin::reflected_exceeds_forward: return any_of({"forward", "reflected"});
        // A contactor whose coil breaks takes the supply away under drive.
        case core::Builtin::drive_without_forward: return !world_.is_line_in_order() || any_of({"forward", "drive"});
        case core::Builtin::current_without_forward: return any_of({"forward", "current"});
        case core::Builtin::rf_without_current: return any_of({"forward", "supply", "current"});
        case core::Builtin::reflected_on_floor: return any_of({"forward", "reflected"});
        case core::Builtin::start_not_stored: return world_.disk.fault != DiskFault::good;
        case core::Builtin::contactor_open:
            return world_.welded() || !world_.is_line_in_order() || any_of({"forward", "reflected", "current"}) ||
                   since_s - began_s() < starts_within_s;
        default: return false;  // never, in this world
    }
}

void Oracle::fair_trip(const core::Event& event) {
    const double now_s = world_.now_s();
    if (now_s - began_s() < starts_within_s && event.condition != core::Condition::bad) return;
    if (!explained(event.source, now_s)) fail("a trip has its cause in the world: " + std::string{id_of(event.source)});
}

// Each reading's interval has the truth in it, where it says that it is good and nothing planted explains otherwise.
void Oracle::judge_readings() {
    // The world's air changes at once, as no air does.
    if (steps_ % 100 != 0 || world_.now_s() - std::max(began_s(), world_.amplifier().changed_s) < starts_within_s)
        return;
    const auto within = [&](const char* id, double (*truth)(const bench::Truth&), double slack, double ratio) {
        const std::size_t index = sensor(id);
        const core::Reading& reading = seen().quantities[index];
        if (!reading.measured() || lied(index, world_.now_s())) return;
        double least = truth(truths_[0]), most = least;
        for (const bench::Truth& t : truths_) least = std::min(least, truth(t)), most = std::max(most, truth(t));
        ++readings_;
        const double low = reading.health == core::Health::at_floor ? 0.0 : reading.low;
        if (most * ratio + slack < low || least / ratio - slack > reading.high) {
            fail(std::string{"a reading's interval has the truth in it: "} + id + " " + std::to_string(low) + " .. " +
                 std::to_string(reading.high) + ", truly " + std::to_string(least) + " .. " + std::to_string(most));
        }
    };
    using T = bench::Truth;
    within(
        "forward", [](const T& t) { return t.forward_w; }, 0.02, 1.1);
    within(
        "reflected", [](const T& t) { return t.reflected_w; }, 0.2, 1.1);  // directivity is the ratio's affair
    within(
        "drive", [](const T& t) { return t.drive_w; }, 0.002, 1.1);
    within(
        "heatsink", [](const T& t) { return t.heatsink_c; }, 1.0, 1.0);
    within(
        "exciter", [](const T& t) { return t.drive_w; }, 0.02, 1.1);
    within(
        "ambient", [](const T& t) { return t.ambient_c; }, 1.5, 1.0);
}

/// What isn't true of a standing cause's words; empty.
std::string Oracle::cause_amiss(core::SourceIndex source, const core::Cause& cause) const {
    const core::Plan& plan = configuration_.plan;
    const auto quantity = formats::quantity_of(plan, source);
    const std::string text =
        formats::cause_in_words(plan, source, cause, quantity ? &seen().quantities[*quantity] : nullptr);
    const auto says = [&](const char* words) { return text.find(words) != std::string::npos; };
    const double since_s = std::max(world_.now_s() - seconds_ago(cause.since), started_s_);
    const auto one = std::find_if(guarded_.begin(), guarded_.end(), [&](auto& g) { return g.source == source; });
    if (one != guarded_.end() && (says("at or above") || says("at or below"))) {
        // Beyond in truth, or a sensor said so.
        const double seen_s = std::max(one->beyond_s, one->shown_s);
        return cause.latched || seen_s >= since_s - lingers_s ? "" : text + " (never seen so)";
    }
    const double now_s = world_.now_s();
    if (now_s - began_s() < starts_within_s || cause.latched) return "";
    const bool comes = one != guarded_.end() && comes_into_force(*one->limit, since_s);
    if (says("since its limit came into force") && !comes) return text + " (it has been for long)";
    const bool unknown = says(" unknown (") || text.ends_with(" unknown");
    if (one != guarded_.end() && unknown && !lied_any(one->sensors, now_s)) return text + " (it can)";
    return "";
}

void Oracle::judge_reasons() {
    const core::Snapshot& snapshot = seen();
    if (daemon_.events().empty() && steps_ % 100 != 0) return;
    ++reasons_;
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) {
        if (!snapshot.causes[i].active) continue;
        const std::string amiss = cause_amiss(static_cast<core::SourceIndex>(i), snapshot.causes[i]);
        if (!amiss.empty()) fail("every reason is true: " + amiss);
    }
    const std::string text = formats::reason(configuration_.plan, snapshot);
    const auto says = [&](const char* words) { return text.find(words) != std::string::npos; };
    const auto only_if = [&](const char* words, bool truth) {
        if (says(words) && !truth) fail("every reason is true: " + text);
    };
    const core::Memory& memory = snapshot.memory;
    const bool any_latched = std::find(memory.latched.begin(), memory.latched.end(), true) != memory.latched.end();
    only_if("latched until an operator resets it", any_latched || memory.unreadable);
    only_if("First start", memory.first_start);
    only_if("Locked out", memory.locked_out);
    only_if("Held at the amplifier", memory.held_locally);
    only_if("Held over the network", memory.held_remotely);
    only_if("the line refuses inhibit", world_.pad.refused);
    only_if("Nothing stands against", daemon_.decided() && (world_.pad.permit || !world_.is_pad_in_order()));
    only_if("drive is seen to be absent",
            world_.now_s() - drive_seen_s_ < 1.0 || lied(sensor("drive"), world_.now_s()));
    only_if("hasn't taken this start", !daemon_.start_saved() || !noted_);
    noted_ = daemon_.start_saved();
    if (snapshot.permit && !snapshot.line_refuses) only_if("inhibit", false);
}

}  // namespace dekeyd::soak
