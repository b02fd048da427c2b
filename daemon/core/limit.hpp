// A limit: one quantity, one level, and the time it may be beyond it.
#pragma once

#include <cstdint>

#include "plan/events.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/standing.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// Compare one reading with the levels; `rf_absent` is used where the limit clears by RF being off.
/// Total: any reading gives a verdict, and one that isn't measured never gives rest or clear, except a quantity that
/// is not measurable because RF is proven absent, which is rest.
Verdict verdict_of(const LimitPlan& limit, const Reading& watched, const Reading* gate, bool rf_absent) noexcept;

/// The same with what is known of its standing already.
Verdict verdict_of(const LimitPlan& limit, Standing standing, const Reading& watched, bool rf_absent) noexcept;

/// The same as if the gate stood open.
Verdict verdict_when_standing(const LimitPlan& limit, const Reading& watched, bool rf_absent) noexcept;

/// The time part of a limit. Time beyond the level accumulates, and decays at a quarter of the rate inside it, so
/// that a fault which flaps faster than the qualify time still trips.
class QualifyTimer {
public:
    explicit QualifyTimer(Duration qualify) noexcept : qualify_{qualify} {}

    /// `now` never decreases (a smaller one counts as equal). Before the first verdict: unknown.
    Condition update(Instant now, Verdict verdict) noexcept;

    /// No time counts, and none will before a worse verdict: a calm one changes nothing, whether it comes or not.
    [[nodiscard]] bool rests() const noexcept;

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
