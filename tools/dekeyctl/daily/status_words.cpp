#include "dekeyctl/daily/status_words.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <optional>

#include "core/interlock.hpp"
#include "core/limit.hpp"
#include "dekeyctl/daily/margin.hpp"
#include "dekeyctl/text.hpp"
#include "plan/reading.hpp"

namespace dekeyd::ctl {
namespace {

/// Its quantity is known and it watches: it has come into force, and was not looked at since.
bool waits_for_a_look(const Status& status, const Cause& cause) {
    const auto limit =
        std::find_if(status.limits.begin(), status.limits.end(), [&](const Limit& one) { return one.id == cause.id; });
    if (limit == status.limits.end() || limit->standing != core::text(core::Standing::watches)) return false;
    return std::any_of(status.quantities.begin(), status.quantities.end(), [&](const Quantity& one) {
        return one.id == limit->watch && one.health == core::text(core::Health::good) &&
               one.fault == core::text(core::Fault::none);
    });
}

/// " (absent)": why the quantity that its limit watches isn't known; empty where that isn't told.
std::string fault_of(const Status& status, const Cause& cause) {
    const auto limit =
        std::find_if(status.limits.begin(), status.limits.end(), [&](const Limit& one) { return one.id == cause.id; });
    const std::string& watched = limit == status.limits.end() ? cause.id : limit->watch;
    for (const Quantity& one : status.quantities)
        if (one.id == watched && !one.fault.empty() && one.fault != core::text(core::Fault::none))
            return fmt::format(" ({})", one.fault);
    return {};
}

}  // namespace

std::string value_words(const Quantity& quantity) {
    if (!quantity.value) return "--";
    std::string_view prefix;
    if (quantity.health == core::text(core::Health::at_floor)) prefix = "≤";
    if (quantity.health == core::text(core::Health::above_range)) prefix = "≥";
    return std::string{prefix} + with_unit(*quantity.value, quantity.unit);
}

std::string nearest_words(const Status& status) {
    std::optional<Margin> least;
    const Quantity* nearest = nullptr;
    for (const Quantity& quantity : status.quantities) {
        const auto margin = margin_of(quantity, limits_of(status, quantity.id));
        if (!margin || !margin->limit->trips || (least && margin->share >= least->share)) continue;
        least = margin;
        nearest = &quantity;
    }
    if (nearest == nullptr) return {};
    const std::string name = nearest->name.empty() ? nearest->id : nearest->name;
    if (least->amount < 0.0)
        return fmt::format("{} is {} beyond its trip", name, with_unit(-least->amount, nearest->unit));
    return fmt::format("nearest to its trip: {}, {} {} it", name, with_unit(least->amount, nearest->unit),
                       least->limit->above ? "below" : "above");
}

std::string cause_words(const Status& status, const Cause& cause, std::size_t room) {
    const std::string name = (cause.first ? "first: " : "") + (cause.name.empty() ? cause.id : cause.name);
    const bool clear = cause.condition == core::text(core::Condition::clear);
    std::string words;
    if (clear) {
        words += cause.hold_off_left_s > 0.0
                     ? fmt::format(": clear, hold-off {} left", time_words(cause.hold_off_left_s))
                 : cause.latched ? std::string{": clear"}
                                 : std::string{": clear, waits to re-arm"};
    } else if (cause.condition == core::text(core::Condition::band)) {
        words += ": not yet at its clear level";
    } else if (cause.condition == core::text(core::Condition::bad)) {
        words += ": still stands";
    } else {
        words +=
            waits_for_a_look(status, cause) ? ": waits for its first reading" : ": unknown" + fault_of(status, cause);
    }
    if (cause.latched) words += clear && cause.hold_off_left_s <= 0.0 ? ", needs a reset" : ", then needs a reset";
    const std::string since = fmt::format(" (for {})", time_words(cause.since_s));
    if (columns(name) + columns(words) + columns(since) <= room) return name + words + since;
    // What is to be done is worth more than the whole name.
    return columns(words) < room ? clip(name, room - columns(words)) + words : clip(name + words, room);
}

std::vector<std::string> other_values(const Status& status) {
    std::vector<std::string> texts;
    for (const Quantity& quantity : status.quantities) {
        if (!limits_of(status, quantity.id).empty()) continue;
        const std::string name = quantity.name.empty() ? quantity.id : quantity.name;
        if (quantity.value)
            texts.push_back(fmt::format("{} {}", name, value_words(quantity)));
        else if (!quantity.fault.empty() && quantity.fault != core::text(core::Fault::none) && quantity.age_s)
            texts.push_back(fmt::format("{}: {}", name, quantity.fault));
    }
    return texts;
}

std::string health_words(const Status& status) {
    std::string words = fmt::format("guard: {} late step{}, real time {}, memory {}", status.guard.overruns,
                                    status.guard.overruns == 1 ? "" : "s", status.guard.realtime ? "yes" : "NO",
                                    status.guard.memory_locked ? "locked" : "NOT locked");
    if (status.guard.events_dropped > 0) words += fmt::format(", {} events dropped", status.guard.events_dropped);
    words += !status.mqtt              ? "; no MQTT broker configured"
             : !status.mqtt->telemetry ? "; telemetry NOT running (dekeyd-telemetry)"
             : status.mqtt->connected  ? "; MQTT connected"
                                       : "; MQTT NOT connected";
    if (!status.line.empty()) words += "; line: " + status.line;
    return words;
}

std::string unsaved_words(const Status& status) {
    if (!status.memory.unsaved_s) return {};
    return fmt::format(
        "NOT SAVED for {:.0f} s: the storage hasn't taken the newest latches, holds or counters; a restart may forget "
        "them",
        *status.memory.unsaved_s);
}

bool kept_is_amiss(const Status& status) noexcept {
    return status.kept && (status.kept->dropped > 0 || status.kept->lost_steps > 0 || status.kept->failed_writes > 0);
}

std::string kept_words(const Status& status) {
    if (!status.kept) return {};
    const Kept& kept = *status.kept;
    const auto counted = [](std::uint64_t count, std::string_view one, std::string_view many) {
        return fmt::format("{} {}", count, count == 1 ? one : many);
    };
    std::string words = "kept since the start: " + counted(kept.captures, "capture of a trip", "captures of trips");
    if (kept.waiting > 0)
        words += "; " + counted(kept.waiting, "file or row waits", "files or rows wait") + " for the storage";
    if (kept.failed_writes > 0) words += "; " + counted(kept.failed_writes, "write", "writes") + " FAILED";
    if (kept.dropped > 0) words += "; " + counted(kept.dropped, "file or row was", "files or rows were") + " given up";
    if (kept.lost_steps > 0)
        words += "; " + counted(kept.lost_steps, "decision", "decisions") + " that no capture can show";
    return words;
}

}  // namespace dekeyd::ctl
