// A limit: one quantity, one level, and the time it may be beyond it.
#pragma once

#include <cstdint>
#include <string_view>

#include "core/plan.hpp"
#include "core/reading.hpp"
#include "core/time.hpp"

namespace dekeyd::core {

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

std::string_view text(Verdict verdict) noexcept;
std::string_view text(Condition condition) noexcept;

/// Compare one reading with the levels; `rf_absent` is used where the limit clears by RF being off.
/// Total: any reading gives a verdict, and one that isn't measured never gives rest or clear, except a quantity that
/// is not measurable because RF is proven absent, which is rest.
Verdict judge(const LimitPlan& limit, const Reading& watched, const Reading* gate, bool rf_absent) noexcept;

/// The same as if the gate stood open.
Verdict judge_alone(const LimitPlan& limit, const Reading& watched, bool rf_absent) noexcept;

/// The time part of a limit. Time beyond the level accumulates, and decays at a quarter of the rate inside it, so
/// that a fault which flaps faster than the qualify time still trips.
class QualifyTimer {
public:
    explicit QualifyTimer(Duration qualify) noexcept : qualify_{qualify} {}

    /// `now` never decreases (a smaller one counts as equal). Before the first verdict: unknown.
    Condition update(Instant now, Verdict verdict) noexcept;

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
