// Mean and peak of forward power over a window that says how far back they look.
#pragma once

#include <array>
#include <cstdint>

#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

class PowerWindow {
public:
    explicit PowerWindow(const RfPlan& plan) noexcept : plan_{&plan} {}

    /// A measured reading, and the mean of its scan's.
    void add(const Reading& reading, double mean_w) noexcept;
    void forget() noexcept { *this = PowerWindow{*plan_}; }

    /// Over the window, each reading counting e times less a window later.
    [[nodiscard]] double mean_w() const noexcept { return weight_ > 0.0 ? sum_ / weight_ : 0.0; }
    /// The largest reading of the window, or of an eighth of it more; with the crest that the detectors don't show.
    [[nodiscard]] double peak_w() const noexcept;

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.sum_, self.weight_, self.peaks_, self.at_, self.part_begun_, self.taken_);
    }

private:
    static constexpr std::size_t parts = 9;

    const RfPlan* plan_;
    double sum_ = 0.0, weight_ = 0.0;    ///< weight in seconds
    std::array<double, parts> peaks_{};  ///< of the window's eighths, and the one that is being filled
    std::uint32_t at_ = 0;
    Instant part_begun_{};
    Instant taken_{};
};

}  // namespace dekeyd::core
