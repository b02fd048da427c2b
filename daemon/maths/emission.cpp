#include "maths/emission.hpp"

#include <algorithm>
#include <array>

namespace dekeyd::core {

namespace {

using namespace std::chrono_literals;

constexpr EmissionFacts steady(EmissionKind kind) {
    return {kind, Modulation::none, RollOff::none, 0.0, 0.0, 1.0, Duration::zero(), 0, 1s, true};
}

// Crest and log reading are simulated, and repeated by tests/emissions/emissions.py; the share is the crest's.
constexpr EmissionFacts television(Modulation modulation, RollOff roll_off, double crest_db, double log_low_db,
                                   double mean_share) {
    return {
        EmissionKind::digital_television, modulation, roll_off, crest_db, log_low_db, mean_share, 500ms, 25, 1s, false};
}

// Voice: a tenth of the peak unprocessed, up to a third processed; Morse about half. Gaps of Morse, seven dots, are 0.7
// s at twelve words a minute.
constexpr std::array facts{
    steady(EmissionKind::carrier),
    steady(EmissionKind::fm),
    EmissionFacts{EmissionKind::morse, Modulation::none, RollOff::none, 0.0, 0.0, 0.5, 1s, 50, 3s, true},
    EmissionFacts{EmissionKind::voice, Modulation::none, RollOff::none, 10.0, 0.0, 1.0 / 3.0, 2s, 100, 3s, true},
    television(Modulation::qpsk, RollOff::percent_35, 4.0, 0.95, 0.40),
    television(Modulation::qpsk, RollOff::percent_25, 5.0, 0.96, 0.32),
    television(Modulation::qpsk, RollOff::percent_20, 5.5, 0.97, 0.28),
    television(Modulation::psk8, RollOff::percent_35, 3.9, 0.80, 0.41),
    television(Modulation::psk8, RollOff::percent_25, 4.9, 0.85, 0.32),
    television(Modulation::psk8, RollOff::percent_20, 5.4, 0.88, 0.29),
    television(Modulation::apsk16, RollOff::percent_35, 4.9, 1.63, 0.32),
    television(Modulation::apsk16, RollOff::percent_25, 5.7, 1.64, 0.27),
    television(Modulation::apsk16, RollOff::percent_20, 6.1, 1.65, 0.25),
};

}  // namespace

std::span<const EmissionFacts> emission_facts() noexcept {
    return facts;
}

const EmissionFacts* emission_facts(EmissionKind kind, Modulation modulation, RollOff roll_off) noexcept {
    const auto* const found = std::find_if(facts.begin(), facts.end(), [&](const EmissionFacts& row) {
        return row.kind == kind && row.modulation == modulation && row.roll_off == roll_off;
    });
    return found != facts.end() ? found : nullptr;
}

}  // namespace dekeyd::core
