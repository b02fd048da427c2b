#include "store/hourly_log.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>

namespace dekeyd::formats {
namespace {

constexpr double longest_hourly_step_s = 1.0;

}  // namespace

HourMeter::HourMeter(const core::Plan& plan) : plan_{plan} {
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        if (plan.channels[i].kind == core::ChannelKind::contact) continue;
        figures_.push_back({.quantity = static_cast<core::QuantityIndex>(i)});
    }
    for (const core::DerivedRule& rule : core::derived_rules) {
        if (rule.hourly) figures_.push_back({.quantity = plan.index(rule.derived)});
    }
}

void HourMeter::follow(const core::Snapshot& after) {
    const double dt_s = followed_ ? std::min(core::seconds(after.now - last_), longest_hourly_step_s) : 0.0;
    last_ = after.now;
    followed_ = true;
    for (Figures& f : figures_) {
        const core::Reading& reading = after.quantities[f.quantity];
        if (reading.health != core::Health::good) continue;
        f.least = f.measured ? std::min(f.least, reading.value) : reading.value;
        f.greatest = f.measured ? std::max(f.greatest, reading.value) : reading.value;
        f.sum += reading.value * dt_s;
        f.seconds += dt_s;
        f.measured = any_ = true;
    }
}

std::string HourMeter::columns() const {
    std::string text{"hour (UTC)"};
    for (const Figures& f : figures_) {
        const core::QuantityInfo info = core::describe(plan_, f.quantity);
        const std::string_view unit = core::symbol(info.unit);
        for (const char* what : {"min", "mean", "max"}) {
            text +=
                unit.empty() ? fmt::format(",{} {}", info.id, what) : fmt::format(",{} {} ({})", info.id, what, unit);
        }
    }
    return text;
}

std::string HourMeter::row(std::string_view hour) {
    std::string text{hour};
    for (Figures& f : figures_) {
        if (f.measured) {
            const double mean = f.seconds > 0.0 ? std::clamp(f.sum / f.seconds, f.least, f.greatest) : f.least;
            text += fmt::format(",{:.4g},{:.4g},{:.4g}", f.least, mean, f.greatest);
        } else {
            text += ",,,";
        }
        f = {.quantity = f.quantity};
    }
    any_ = false;
    return text;
}

}  // namespace dekeyd::formats
