// What endangers the amplifier, and which source watches for it.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "plan/enum_words.hpp"
#include "plan/sources.hpp"

namespace dekeyd::core {

enum class Hazard : std::uint8_t {
    heat,       ///< a temperature too high, but that of the surroundings
    reflected,  ///< a bad load: reflected power, VSWR
    drive,      ///< too much of it
    supply,     ///< its voltage or current
    sensors,    ///< a measurement that is lost, or that others contradict
};
inline constexpr std::size_t hazard_count = static_cast<std::size_t>(Hazard::sensors) + 1;
inline constexpr Words<Hazard::sensors> hazard_words{"heat", "reflected", "drive", "supply", "sensors"};
inline constexpr Words<Hazard::sensors> hazard_names{"Heat", "Reflected power or VSWR", "Drive", "Supply", "Sensors"};

/// What a limit guards against; none: something else.
std::optional<Hazard> hazard_of(const Plan& plan, const LimitPlan& limit) noexcept;
/// What it means when this source is a cause.
std::optional<Hazard> hazard_of(const Plan& plan, SourceIndex source) noexcept;
/// Some source that may take the permit away watches for it.
bool is_watched(const Plan& plan, Hazard hazard) noexcept;
/// The same in that stage; in none: by a limit of the amplifier itself.
bool is_watched(const Plan& plan, Hazard hazard, const StagePlan* stage) noexcept;

}  // namespace dekeyd::core
