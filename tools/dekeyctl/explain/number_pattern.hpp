// Regular expressions for decimal numbers between two ends, for a schema's `pattern`: the only way to hold a value with
// a unit to its range there.
#pragma once

#include <string>

namespace dekeyd::ctl {

/// Digits without a sign, at least `low` and at most `high`, both of zero or more; what is beyond nine decimals is
/// taken.
std::string decimal_between(double low, double high);

/// With a sign where one may stand: `low` may be below zero.
std::string signed_between(double low, double high);

}  // namespace dekeyd::ctl
