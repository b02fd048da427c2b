// Which limits stand, now or at a given moment; and what one look at a limit's quantity says.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>

#include "plan/enum_words.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"

namespace dekeyd::core {

/// Whether a limit watches at a moment, or why it doesn't. Decisions, displays, plans and forecasts all ask here.
enum class Standing : std::uint8_t {
    watches,
    untold,             ///< it watches or rests by its gate, which is unknown or wasn't looked at
    gate_closed,        ///< rests: its gate is closed by a good reading
    unsupplied,         ///< rests: the supply contactor is open
    not_commissioning,  ///< rests: it is provisional, and no commissioning is under way
};
inline constexpr Words<Standing::not_commissioning> standing_words{"watches", "gate not known", "gate closed",
                                                                   "supply contactor open", "only while commissioning"};
inline std::string_view text(Standing value) noexcept {
    return standing_words.of(value);
}
constexpr bool rests(Standing standing) noexcept {
    return standing >= Standing::gate_closed;
}

/// What decides it. As it stands: keyed in service, by a plan alone, with each gate open or closed.
struct Moment {
    bool commissioning = false;
    bool supplied = true;
    std::span<const Reading> quantities{};  ///< for gates; empty: not measured
};
Standing standing(const LimitPlan& limit, const Moment& moment) noexcept;
/// By its gate alone.
Standing standing_by_gate(const Gate& gate, const Reading& reading) noexcept;

/// Past its level it takes the permit away at that moment: it may, by its gate; it does, at any state of its gate.
bool may_trip(const LimitPlan& limit, const Moment& moment) noexcept;
bool surely_trips(const LimitPlan& limit, const Moment& moment) noexcept;

/// The lowest upper trip of a quantity, where there is one: of all limits that may trip, or of those that surely do;
/// and the lowest upper level at which one warns or may trip.
std::optional<double> lowest_possible_trip(const Plan& plan, std::optional<QuantityIndex> quantity,
                                           const Moment& moment) noexcept;
std::optional<double> lowest_sure_trip(const Plan& plan, std::optional<QuantityIndex> quantity,
                                       const Moment& moment) noexcept;
std::optional<double> lowest_level(const Plan& plan, std::optional<QuantityIndex> quantity,
                                   const Moment& moment) noexcept;

/// One look at a quantity against its limit. From `clear` to `unknown` in the order of worsening.
enum class Verdict : std::uint8_t {
    rest,     ///< the gate is closed by a good reading: nothing to watch
    clear,    ///< provably on the safe side of the clear level
    band,     ///< between clear and trip
    outside,  ///< at or beyond the trip level
    unknown,  ///< not provable: stale, faulty, never evaluated
    missed,   ///< no new look: neither proves nor disproves
};

inline constexpr Words<Verdict::missed> verdict_words{"at rest", "clear",   "between clear and trip",
                                                      "outside", "unknown", "missed"};
inline std::string_view text(Verdict value) noexcept {
    return verdict_words.of(value);
}
}  // namespace dekeyd::core
