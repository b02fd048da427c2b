// What the measured quantities say together: VSWR, gain, efficiency.
#pragma once

#include "core/plan.hpp"
#include "core/reading.hpp"

namespace dekeyd::core {

/// The three readings of one scan from which ratios may be formed.
struct Bracket {
    Reading forward_before;
    Reading reflected;
    Reading forward_after;
};

enum class BracketState : std::uint8_t {
    measurable,      ///< RF stood before and after the reflected reading
    not_measurable,  ///< too little RF on both sides: ratios have no meaning now
    edge,            ///< RF came or went within the scan, or a reading failed: this scan says nothing
};
BracketState judge_bracket(const RfPlan& rf, const Bracket& bracket) noexcept;

/// Forward power to form a ratio with; only for a measurable bracket.
double bracket_forward_w(const Bracket& bracket) noexcept;

/// Everything that follows from forward and reflected power.
struct Reflections {
    Reading vswr, reflection, return_loss, mismatch_loss, net_power, antenna_vswr, antenna_power;
};
/// For a measurable or a not measurable bracket.
Reflections reflections(const RfPlan& rf, const Bracket& bracket, BracketState state) noexcept;

/// Gain and what depends on it; not measurable without RF on both sides of the amplifier.
Reading gain(const RfPlan& rf, const Reading& forward, const Reading& drive) noexcept;
Reading compression(const RfPlan& rf, const Reading& gain) noexcept;

/// Products of two readings: unknown when either is, taken when the older was.
Reading dc_power(const Reading& supply, const Reading& current) noexcept;
Reading efficiency(const RfPlan& rf, const Reading& forward, const Reading& dc) noexcept;
/// DC power and drive that don't leave as RF.
Reading heat(const Reading& dc, const Reading& forward) noexcept;

}  // namespace dekeyd::core
