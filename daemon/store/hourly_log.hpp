// Health over weeks: least, mean and greatest of each quantity, an hour a row.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "core/protection.hpp"

namespace dekeyd::formats {

class HourMeter {
public:
    explicit HourMeter(const core::Plan& plan);

    /// After each step.
    void follow(const core::Snapshot& after);
    /// Something was measured since the last row.
    [[nodiscard]] bool any() const noexcept { return any_; }
    /// "2026-03-01T07Z" and the figures; then it begins anew.
    std::string row(std::string_view hour);
    [[nodiscard]] std::string columns() const;

private:
    struct Figures {
        core::QuantityIndex quantity = 0;
        double least = 0.0, greatest = 0.0, sum = 0.0, seconds = 0.0;
        bool measured = false;
    };
    const core::Plan& plan_;
    std::vector<Figures> figures_;
    core::Instant last_{};
    bool followed_ = false;
    bool any_ = false;
};

}  // namespace dekeyd::formats
