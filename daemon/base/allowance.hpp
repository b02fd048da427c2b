// How often something may be done: a burst, and then so many a second.
#pragma once

#include <algorithm>

#include "plan/time.hpp"

namespace dekeyd {

class Allowance {
public:
    constexpr Allowance(double burst, double per_second) noexcept
        : burst_{burst}, per_second_{per_second}, left_{burst} {}

    /// True when it may be done now; then one of the allowance is used.
    bool take_one(core::Instant now) noexcept {
        left_ = std::min(burst_, left_ + core::seconds(now - at_) * per_second_);
        at_ = now;
        if (left_ < 1.0) return false;
        left_ -= 1.0;
        return true;
    }

private:
    double burst_, per_second_, left_;
    core::Instant at_{};
};

}  // namespace dekeyd
