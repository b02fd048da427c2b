// A detector that was compared with a reference at some levels: what is added to what its stated law shows, and how far
// that may be off in between and beyond. Pure and total.
#pragma once

#include <optional>
#include <span>

#include "plan/plan.hpp"

namespace dekeyd::core {

/// One comparison, at the detector.
struct ComparedLevel {
    double volts = 0.0;
    double dbm = 0.0;        ///< by the reference
    double doubt_db = 0.05;  ///< of this level alone, k = 2: noise, steps, an attenuator put in for it
};

/// From at least one level; none where they can't be (not finite, or a greater power shown as a smaller one).
///
/// The law bends and ripples within `conformance_db` of a straight line, so a level speaks for its neighbourhood alone:
/// between two of them the error grows to 1.8 times the conformance, beyond the last one to twice it, both within
/// some dB, and with the slope's doubt times the distance on top. The slope beyond the ends is the stated law's (good
/// for 8 % at k = 2), drawn toward that through the outermost levels as far as their distance lets it be told from
/// ripple: three times the conformance over the distance, at k = 2. Four levels or more, nowhere more than 5 dB apart,
/// show how wavy the law is: the 95 % bound of what they scatter about their line then stands for the conformance
/// between them. Figures from simulated detectors whose ripple, curvature and slope use up what is stated
/// (tests/oracle/calibrations): there the truth lies inside in at least 95 % of the cases.
std::optional<Correction> correction_from(const Detector& stated, std::span<const ComparedLevel> levels,
                                          double conformance_db);

/// What is added to a level that the stated law shows.
double correction_db(const Correction& correction, double shown_dbm) noexcept;
/// How far the corrected level may be off, k = 2.
double correction_doubt_db(const Correction& correction, double shown_dbm) noexcept;
/// How far a corrected level lies outside the levels that were compared; 0 among them.
double beyond_correction_db(const Correction& correction, double dbm) noexcept;

/// dBm at the detector for its volts, and the other way round: the stated law and its correction.
double chain_dbm(const PowerChain& chain, double volts) noexcept;
double chain_volts(const PowerChain& chain, double dbm) noexcept;
/// What the stated law shows for a true level.
double shown_dbm(const PowerChain& chain, double dbm) noexcept;

}  // namespace dekeyd::core
