#include "words/back_off_text.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "maths/power.hpp"
#include "maths/rf.hpp"

namespace dekeyd::formats {
namespace {

/// Some limit that watches now warns of it, or trips, when it rises.
bool has_level(const core::Plan& plan, const core::Snapshot& snapshot, core::QuantityIndex quantity) {
    for (std::size_t i = 0; i < std::min(plan.limits.size(), snapshot.standing.size()); ++i) {
        const core::LimitPlan& limit = plan.limits[i];
        if (limit.watch == quantity && limit.direction == core::Direction::above &&
            !core::rests(snapshot.standing[i]) && (limit.trips || limit.warn))
            return true;
    }
    return false;
}

/// What the advice rests on and what it leaves out, by the rules of core's Forecaster.
struct Judged {
    std::vector<std::string> covered, not_covered;

    Judged(const core::Plan& plan, const core::Snapshot& snapshot) {
        const auto good = [&](core::QuantityIndex index) {
            return snapshot.quantities[index].health == core::Health::good;
        };
        if (const auto forward = plan.roles.forward)
            add(plan, snapshot, "forward power", *forward, true, good(*forward), "isn't known");
        const core::QuantityIndex compression = plan.index(core::Derived::compression);
        add(plan, snapshot, "compression", compression, can_be_known(plan, compression), good(compression),
            "isn't known");
        const core::QuantityIndex resistance = plan.index(core::Derived::thermal_resistance);
        const auto heatsink = plan.roles.heatsink;
        add(plan, snapshot, "heat", heatsink.value_or(0), heatsink && can_be_known(plan, resistance),
            heatsink && good(*heatsink) && good(resistance), "isn't known yet");
    }

private:
    void add(const core::Plan& plan, const core::Snapshot& snapshot, std::string_view name,
             core::QuantityIndex quantity, bool measured, bool known, std::string_view unknown) {
        const bool level = measured && has_level(plan, snapshot, quantity);
        if (level && known) {
            covered.emplace_back(name);
            return;
        }
        std::string why{name};
        if (measured && known) {
            // To half a decibel, and no other value at all: a sentence that changes with each reading is sent each
            // time.
            const double db = std::round(2.0 * snapshot.quantities[quantity].value) / 2.0;
            if (core::describe(plan, quantity).unit == core::Unit::decibel && db >= 1.0)
                why += fmt::format(", some {:.1f} dB now and beyond the 1 dB point", db);
            why += ", of which no limit warns";
        } else {
            why += fmt::format(", which {}", measured ? unknown : "isn't measured");
        }
        not_covered.push_back(std::move(why));
    }
};

std::string listed(const std::vector<std::string>& words) {
    std::string text;
    for (std::size_t i = 0; i < words.size(); ++i)
        text += (i == 0 ? "" : i + 1 == words.size() ? " and " : ", ") + words[i];
    return text;
}

}  // namespace

std::string back_off_text(const core::Plan& plan, const core::Snapshot& snapshot) {
    // Worked out once a second: after a trip the last one would contradict it.
    if (snapshot.state != core::State::permitted) return {};
    const core::QuantityIndex index = plan.index(core::Derived::back_off);
    if (index >= snapshot.quantities.size()) return {};
    const core::Reading& back_off = snapshot.quantities[index];
    if (back_off.health != core::Health::good || !std::isfinite(back_off.value)) return {};
    const Judged judged{plan, snapshot};
    const std::string covered = listed(judged.covered);
    const std::string left =
        judged.not_covered.empty() ? "" : fmt::format(" Not judged: {}.", fmt::join(judged.not_covered, "; "));
    constexpr double half_a_step = core::back_off_step_db / 2.0;
    if (judged.covered.empty()) return left.empty() ? left : left.substr(1);
    if (back_off.value < half_a_step)
        return left.empty() ? fmt::format("No need to back off: {} are below the levels that warn or trip.", covered)
                            : fmt::format("By {} no need to back off.{}", covered, left);
    if (back_off.value > core::largest_back_off_db - half_a_step)
        return fmt::format(
            "Stop transmitting: backing off by {:.0f} dB would not bring {} below the levels that warn or trip.{}",
            core::largest_back_off_db, covered, left);
    // In percent rather than watts: a forward power that wavers would make a new sentence each time.
    return fmt::format(
        "Back off by {:.1f} dB, to {:.0f} % of the power: {} {} then below the levels that warn or trip.{}",
        back_off.value, 100.0 * core::watts_from_dbm(30.0 - back_off.value), covered,
        judged.covered.size() == 1 ? "is" : "are", left);
}

}  // namespace dekeyd::formats
