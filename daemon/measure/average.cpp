#include "measure/average.hpp"

#include <algorithm>
#include <cmath>

#include "maths/rf.hpp"

namespace dekeyd::core {

BracketAverage::Told BracketAverage::add(const Bracket& bracket, const Reading* drive) noexcept {
    const Instant taken = bracket.forward_before.taken;
    const Duration span = plan_->emission.ratio_time;
    const bool first = weight_ == 0.0;
    const Duration passed = first ? Duration::zero() : std::max(taken - taken_, Duration::zero());
    const bool rf = bracket_state(*plan_, bracket) != BracketState::not_measurable;
    fade(passed);
    taken_ = std::max(taken, taken_);

    // "At most" is none of forward and all of reflected: the ratio may be too large, and not too small.
    const auto least = [](const Reading& r) { return r.health == Health::good ? r.value : 0.0; };
    const double forward = (least(bracket.forward_before) + least(bracket.forward_after)) / 2.0;
    const double reflected = bracket.reflected.value;
    weight_ += 1.0;
    forward_ += forward;
    reflected_ += reflected;
    if (bracket.reflected.health == Health::at_floor) on_floor_ += reflected;
    if (drive != nullptr) {
        drive_ += drive->value;
        drive_weight_ += 1.0;
    }
    forward_squared_ += forward * forward;
    product_ += forward * reflected;
    reflected_squared_ += reflected * reflected;

    if (rf) rf_at_ = taken_;
    if (taken_ - rf_at_ >= span) {
        forget();
        return Told::quiet;
    }
    if (good()) {
        owed_ = Duration::zero();
        return Told::ratio;
    }
    if (rf) owed_ = std::min(owed_ + passed, span);
    return owed_ < span ? Told::not_yet : Told::never;
}

void BracketAverage::fade(Duration passed) noexcept {
    const double left = std::exp(-seconds(passed) / seconds(plan_->emission.ratio_time));
    for (double* sum : {&weight_, &forward_, &reflected_, &on_floor_, &drive_, &drive_weight_}) *sum *= left;
    for (double* sum : {&forward_squared_, &product_, &reflected_squared_}) *sum *= left * left;
}

// A ratio of sums, linearised: the weighted residuals' root-sum-of-squares, over what they are a share of.
double BracketAverage::doubt() const noexcept {
    const double ratio = reflected_ / forward_;
    const double squares = reflected_squared_ - 2.0 * ratio * product_ + ratio * ratio * forward_squared_;
    return 2.0 * std::sqrt(std::max(squares, 0.0)) / reflected_;
}

bool BracketAverage::good() const noexcept {
    // Written so that an unknown value, NaN, is not good.
    return forward_ * forward_ >= fewest_brackets * forward_squared_ && doubt() <= largest_doubt;
}

double BracketAverage::doubt_db() const noexcept {
    return db_from_ratio(1.0 + std::clamp(doubt(), 0.0, 1.0));
}

Bracket BracketAverage::means() const noexcept {
    const auto mean = [&](double sum, bool floor) {
        const double value = sum / weight_;
        return Reading{.value = value,
                       .low = floor ? 0.0 : value,
                       .high = value,
                       .health = floor ? Health::at_floor : Health::good,
                       .fault = Fault::none,
                       .taken = taken_};
    };
    const Reading forward = mean(forward_, false);
    return {forward, mean(reflected_, on_floor_ >= reflected_ / 2.0), forward};
}

Reading BracketAverage::drive() const noexcept {
    const double value = drive_ / drive_weight_;
    return {.value = value, .low = value, .high = value, .health = Health::good, .fault = Fault::none, .taken = taken_};
}

}  // namespace dekeyd::core
