#include "dekeyctl/explain/number_pattern.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

namespace dekeyd::ctl {
namespace {

constexpr const char* any_fraction = "(?:\\.[0-9]+)?";

struct Decimal {
    std::string whole, fraction;
};

/// To nine decimals, rounded in the direction that takes more.
Decimal decimal(double value, bool up) {
    constexpr double billion = 1e9;
    const double scaled = value * billion;
    const double near = std::round(scaled);
    // What is a hair off is the binary number's doing.
    const double fixed = std::fabs(scaled - near) < 1e-6 * std::max(1.0, near * 1e-9) ? near
                         : up                                                         ? std::ceil(scaled)
                                                                                      : std::floor(scaled);
    const std::string text = fmt::format("{:.9f}", fixed / billion);
    const std::size_t point = text.find('.');
    std::string fraction = text.substr(point + 1);
    fraction.erase(fraction.find_last_not_of('0') + 1);
    return {text.substr(0, point), fraction};
}

std::string digit(char from, char to) {
    return from == to ? std::string(1, from) : fmt::format("[{}-{}]", from, to);
}

std::string any_digits(std::size_t count) {
    return count == 0 ? "" : count == 1 ? "[0-9]" : fmt::format("[0-9]{{{}}}", count);
}

std::string one_of_these(const std::vector<std::string>& all) {
    return fmt::format("(?:{})", fmt::join(all, "|"));
}

std::string at_most(const Decimal& end) {
    std::vector<std::string> all;
    const std::size_t size = end.whole.size();
    if (size > 1) all.push_back(fmt::format("(?:0|[1-9][0-9]{{0,{}}}){}", size - 2, any_fraction));
    for (std::size_t k = 0; k < size; ++k) {
        const char least = k == 0 && size > 1 ? '1' : '0';
        if (end.whole[k] <= least) continue;
        all.push_back(end.whole.substr(0, k) + digit(least, static_cast<char>(end.whole[k] - 1)) +
                      any_digits(size - k - 1) + any_fraction);
    }
    std::vector<std::string> fractions{end.fraction.empty() ? "0+" : end.fraction + "0*"};
    for (std::size_t k = 0; k < end.fraction.size(); ++k) {
        if (k > 0) fractions.push_back(end.fraction.substr(0, k));
        if (end.fraction[k] > '0')
            fractions.push_back(end.fraction.substr(0, k) + digit('0', static_cast<char>(end.fraction[k] - 1)) +
                                "[0-9]*");
    }
    all.push_back(fmt::format("{}(?:\\.{})?", end.whole, one_of_these(fractions)));
    return one_of_these(all);
}

std::string at_least(const Decimal& end) {
    std::vector<std::string> all;
    const std::size_t size = end.whole.size();
    all.push_back(fmt::format("[1-9][0-9]{{{},}}{}", size, any_fraction));
    for (std::size_t k = 0; k < size; ++k) {
        if (end.whole[k] == '9') continue;
        all.push_back(end.whole.substr(0, k) + digit(static_cast<char>(end.whole[k] + 1), '9') +
                      any_digits(size - k - 1) + any_fraction);
    }
    std::vector<std::string> fractions{end.fraction + "[0-9]*"};
    for (std::size_t k = 0; k < end.fraction.size(); ++k) {
        if (end.fraction[k] < '9')
            fractions.push_back(end.fraction.substr(0, k) + digit(static_cast<char>(end.fraction[k] + 1), '9') +
                                "[0-9]*");
    }
    all.push_back(end.fraction.empty() ? end.whole + any_fraction
                                       : fmt::format("{}\\.{}", end.whole, one_of_these(fractions)));
    return one_of_these(all);
}

}  // namespace

std::string decimal_between(double low, double high) {
    const Decimal least = decimal(low, false);
    const std::string most = at_most(decimal(high, true));
    if (least.whole == "0" && least.fraction.empty()) return most;
    // What follows the digits is no digit and no point, so the first look goes as far as the second.
    return fmt::format("(?={}(?![0-9.])){}", at_least(least), most);
}

std::string signed_between(double low, double high) {
    std::vector<std::string> all;
    if (high >= 0.0) all.push_back("\\+?" + decimal_between(std::max(low, 0.0), std::fabs(high)));
    if (low <= 0.0) all.push_back('-' + decimal_between(std::max(-high, 0.0), std::fabs(low)));
    return one_of_these(all);
}

}  // namespace dekeyd::ctl
