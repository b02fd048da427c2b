// A function's value, kept for as long as it is asked for the same argument: for a costly function whose argument
// seldom changes.
#pragma once

#include <limits>
#include <tuple>

namespace dekeyd::core {

template <auto function>
class Kept;

template <class... Argument, double (*function)(Argument...) noexcept>
class Kept<function> {
public:
    double of(Argument... argument) noexcept {
        const std::tuple asked{argument...};
        if (asked != asked_) value_ = function(argument...);  // of NaN, which equals nothing: each time
        asked_ = asked;
        return value_;
    }

private:
    std::tuple<Argument...> asked_{(static_cast<void>(sizeof(Argument)), std::numeric_limits<double>::quiet_NaN())...};
    double value_ = 0.0;
};

}  // namespace dekeyd::core
