// A function's value, kept for as long as it is asked for the same argument: for a costly function whose argument
// seldom changes.
#pragma once

#include <limits>

namespace dekeyd::core {

template <double (*function)(double) noexcept>
class Kept {
public:
    double of(double argument) noexcept {
        if (argument != argument_) value_ = function(argument_ = argument);  // of NaN, which equals nothing: each time
        return value_;
    }

private:
    double argument_ = std::numeric_limits<double>::quiet_NaN();
    double value_ = 0.0;
};

}  // namespace dekeyd::core
