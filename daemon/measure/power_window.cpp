#include "measure/power_window.hpp"

#include <algorithm>
#include <cmath>

namespace dekeyd::core {

void PowerWindow::add(const Reading& reading, double mean_w) noexcept {
    const Duration window = plan_->emission.power_time;
    const Duration part = window / (parts - 1);
    if (reading.taken - taken_ >= window) {  // the first one, or after a silence of the bus
        forget();
        taken_ = part_begun_ = reading.taken;
    }
    const Duration passed = std::max(reading.taken - taken_, Duration::zero());
    taken_ = std::max(reading.taken, taken_);
    // Each reading stands for the time since the one before; the first for a little.
    const double time_s = std::max(seconds(passed), 1e-6);
    const double left = std::exp(-time_s / seconds(window));
    sum_ = left * sum_ + time_s * mean_w;
    weight_ = left * weight_ + time_s;
    while (taken_ - part_begun_ >= part) {
        part_begun_ += part;
        at_ = (at_ + 1) % parts;
        peaks_[at_] = 0.0;
    }
    peaks_[at_] = std::max(peaks_[at_], reading.value);
}

double PowerWindow::peak_w() const noexcept {
    return *std::max_element(peaks_.begin(), peaks_.end()) * plan_->emission.unseen_crest;
}

}  // namespace dekeyd::core
