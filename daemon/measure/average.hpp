// Forward and reflected are read at different moments. Where the envelope moves between them, one bracket's ratio is
// that of two powers; the ratio of the sums over many brackets, which weighs each by its power, is the line's. How good
// it is the brackets themselves tell: by what each is off that ratio.
#pragma once

#include <cstdint>

#include "measure/derived.hpp"
#include "plan/plan.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

class BracketAverage {
public:
    explicit BracketAverage(const RfPlan& plan) noexcept : plan_{&plan} {}

    enum class Told : std::uint8_t {
        ratio,    ///< good enough to be judged
        quiet,    ///< no RF for the whole averaging time
        not_yet,  ///< RF that the ratio doesn't yet cover well enough, for less than the averaging time in all
        never,    ///< for longer: the envelope doesn't explain it
    };
    /// Of a bracket whose readings are all measured. `drive`: empty where it isn't.
    Told add(const Bracket& bracket, const Reading* drive) noexcept;
    void forget() noexcept { *this = BracketAverage{*plan_}; }

    /// As if all three had been read at once. Their values alone: the intervals are their detectors' affair.
    [[nodiscard]] Bracket means() const noexcept;
    /// Only where drive was measured in a bracket.
    [[nodiscard]] Reading drive() const noexcept;
    /// What the ratio's own scatter leaves of it, k = 2.
    [[nodiscard]] double doubt_db() const noexcept;

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.weight_, self.forward_, self.reflected_, self.on_floor_, self.drive_, self.drive_weight_,
          self.forward_squared_, self.product_, self.reflected_squared_, self.taken_, self.rf_at_, self.owed_);
    }

    // By simulated voice (tests/emissions): from so many on, nineteen of twenty ratios lie within their own doubt.
    static constexpr double fewest_brackets = 16.0;
    static constexpr double largest_doubt = 0.25;  ///< of the ratio, k = 2: about 1 dB

private:
    void fade(Duration passed) noexcept;
    [[nodiscard]] double doubt() const noexcept;
    [[nodiscard]] bool good() const noexcept;

    const RfPlan* plan_;
    // Sums over the brackets; each counts e times less an averaging time later.
    double weight_ = 0.0, forward_ = 0.0, reflected_ = 0.0, drive_ = 0.0;
    double drive_weight_ = 0.0;  ///< of the brackets in which drive was measured
    double on_floor_ = 0.0;      ///< the part of reflected that is "at most"
    double forward_squared_ = 0.0, product_ = 0.0, reflected_squared_ = 0.0;  ///< by the weights' squares
    Instant taken_{};
    Instant rf_at_{};  ///< the last bracket with enough RF for a ratio; long ago where there was none
    Duration owed_{};  ///< RF since the last good ratio
};

}  // namespace dekeyd::core
