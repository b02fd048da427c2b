// A limit: one quantity, one level, and the time it may be beyond it.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>

#include "core/plan.hpp"
#include "core/reading.hpp"
#include "core/time.hpp"
#include "core/words.hpp"

namespace dekeyd::core {

/// Whether a limit watches at a moment, or why it doesn't. Whatever decides, shows, plans or forecasts asks here.
enum class Standing : std::uint8_t {
    watches,
    untold,             ///< it watches or rests by its gate, which is unknown or wasn't looked at
    gate_closed,        ///< rests: its gate is closed by a good reading
    unsupplied,         ///< rests: the supply contactor is open
    not_commissioning,  ///< rests: it is provisional, and nobody is commissioning
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
    std::span<const Reading> quantities{};  ///< for gates; empty: nobody looked
};
Standing standing(const LimitPlan& limit, const Moment& moment) noexcept;

/// Past its level it takes the permit away at that moment: it may, by its gate; it does, whatever the gate.
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

/// What the interlock is told of one cause. From `clear` to `unknown` in the order of worsening.
enum class Condition : std::uint8_t {
    clear,    ///< seen to be gone
    band,     ///< neither wrong enough to trip nor gone
    bad,      ///< wrong for the qualify time
    unknown,  ///< can't be told, which inhibits
    missed,   ///< no news since the last step
};

inline constexpr Words<Verdict::missed> verdict_words{"at rest", "clear",   "between clear and trip",
                                                      "outside", "unknown", "missed"};
inline std::string_view text(Verdict value) noexcept {
    return verdict_words.of(value);
}
inline constexpr Words<Condition::missed> condition_words{"clear", "not yet clear", "bad", "unknown", "no news"};
inline std::string_view text(Condition value) noexcept {
    return condition_words.of(value);
}

/// Compare one reading with the levels; `rf_absent` is used where the limit clears by RF being off.
/// Total: any reading gives a verdict, and one that isn't measured never gives rest or clear, except a quantity that
/// is not measurable because RF is proven absent, which is rest.
Verdict judge(const LimitPlan& limit, const Reading& watched, const Reading* gate, bool rf_absent) noexcept;

/// The same with what is known of its standing already.
Verdict judge(const LimitPlan& limit, Standing standing, const Reading& watched, bool rf_absent) noexcept;

/// The same as if the gate stood open.
Verdict judge_alone(const LimitPlan& limit, const Reading& watched, bool rf_absent) noexcept;

/// The time part of a limit. Time beyond the level accumulates, and decays at a quarter of the rate inside it, so
/// that a fault which flaps faster than the qualify time still trips.
class QualifyTimer {
public:
    explicit QualifyTimer(Duration qualify) noexcept : qualify_{qualify} {}

    /// `now` never decreases (a smaller one counts as equal). Before the first verdict: unknown.
    Condition update(Instant now, Verdict verdict) noexcept;

    /// What was seen tells nothing of what comes: as never evaluated, until the next verdict.
    void forget() noexcept { last_ = Verdict::missed; }

    /// When, with no further news, the condition turns bad by time alone; Instant::max() if it doesn't.
    [[nodiscard]] Instant due() const noexcept;
    [[nodiscard]] Duration outside_for() const noexcept { return outside_; }

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.outside_, self.last_time_, self.last_);
    }

    static constexpr int decay_divisor = 4;

private:
    Duration qualify_;
    Duration outside_{};
    Instant last_time_{};
    Verdict last_ = Verdict::missed;  ///< missed: nothing seen yet
};

}  // namespace dekeyd::core
