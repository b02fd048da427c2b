// The limits: each new look at a quantity is judged against its limit, timed, and told of where it warns.
#pragma once

#include <algorithm>
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

#include "core/limit.hpp"
#include "core/proof.hpp"
#include "measure/measurement.hpp"
#include "plan/events.hpp"
#include "plan/plan.hpp"
#include "plan/standing.hpp"

namespace dekeyd::core {

class Limits {
public:
    /// `plan` must outlive this, and its indices fit. Nothing is allocated after.
    explicit Limits(const Plan& plan);

    /// What a step judges by.
    struct Look {
        Instant now;
        const Measurement& measurement;
        const Proof& proof;  ///< what it injects may only make a limit worse
        bool commissioning;
        bool supplied;
        [[nodiscard]] Moment moment() const noexcept {
            return {.commissioning = commissioning, .supplied = supplied, .quantities = measurement.quantities()};
        }
    };

    /// A step begins: none of it is judged yet.
    void begin_step() noexcept;
    /// A limit that comes into force was never evaluated under what it is now for, however well it rested.
    void see_what_is_in_force(const Look& look) noexcept;
    /// The limits whose quantity or gate has news.
    void judge_news(const Look& look, EventList& events) noexcept;
    /// The limits that no news of this step came to: time alone may change them.
    void judge_others(const Look& look, EventList& events) noexcept;

    /// Per limit: the worst news of this step.
    [[nodiscard]] std::span<const Condition> conditions() const noexcept { return conditions_; }
    /// Per limit: whether it watches at that moment.
    std::span<const Standing> standing_at(const Moment& moment) noexcept;
    /// Per limit: 1 while its warning stands.
    [[nodiscard]] std::span<const std::uint8_t> warnings() const noexcept { return warned_; }
    /// When, with no further news, a limit's condition turns bad by time alone; Instant::max() if it doesn't.
    [[nodiscard]] Instant due(std::size_t limit) const noexcept { return timers_[limit].due(); }
    [[nodiscard]] Instant due() const noexcept;

    // ---- its state, for captures, by the limits' ids ----

    [[nodiscard]] QualifyTimer& timer(std::size_t limit) noexcept { return timers_[limit]; }
    [[nodiscard]] const QualifyTimer& timer(std::size_t limit) const noexcept { return timers_[limit]; }
    [[nodiscard]] std::uint8_t& warned(std::size_t limit) noexcept { return warned_[limit]; }
    /// As if it had been looked at all the time.
    void begin_unseen(std::size_t limit, const Look& look) noexcept;
    /// What is in force follows from the rest of the state.
    void take_what_is_in_force(const Look& look) noexcept;

private:
    /// What nearly every look comes to: no gate, no warning, and a reading on the safe side, which is clear whether the
    /// limit is in force or rests. All else goes the long way.
    struct Plain {
        explicit Plain(const LimitPlan& limit) noexcept;
        /// As verdict_of says it: Verdict::clear. Never where the limit isn't a plain one.
        [[nodiscard]] bool proves_safe(const Reading& reading) const noexcept;
        QuantityIndex watch, gate;  ///< without a gate: watch
        bool above;
        double Reading::*edge;
        double safe = std::numeric_limits<double>::quiet_NaN();  ///< no number is on its safe side
    };
    [[nodiscard]] static bool has_news(const Plain& plain, const Look& look) noexcept;
    [[nodiscard]] static bool out_of_force(const LimitPlan& limit, const Look& look) noexcept;
    void judge(std::size_t limit, const Look& look, bool rf_absent, EventList& events) noexcept;
    void warn(std::size_t limit, Verdict verdict, const Look& look, EventList& events) noexcept;

    const Plan& plan_;
    std::vector<QualifyTimer> timers_;
    std::vector<Condition> conditions_;
    std::vector<Condition> unseen_;  ///< the conditions of a step that tells nothing
    std::vector<Plain> plain_;
    std::vector<std::size_t> at_times_;  ///< the limits that aren't in force always
    std::vector<std::size_t> varying_;   ///< these, and the ones with a gate
    std::vector<std::uint8_t> judged_;   ///< within one step: a second look would change nothing
    std::vector<std::uint8_t> warned_;
    std::vector<Standing> standing_;          ///< per limit
    std::vector<std::uint8_t> out_of_force_;  ///< as of the last step
};

/// The worse of two pieces of news of one source. No news is less than any.
constexpr Condition worse(Condition one, Condition other) noexcept {
    if (one == Condition::missed) return other;
    return other == Condition::missed ? one : std::max(one, other);
}

}  // namespace dekeyd::core
