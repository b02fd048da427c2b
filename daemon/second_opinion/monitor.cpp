#include "second_opinion/monitor.hpp"

#include <algorithm>

namespace dekeyd::second_opinion {

Monitor::Monitor(const std::vector<Sensor>& sensors, const std::vector<Bound>& bounds, Time supply_time)
    : supply_time_{supply_time} {
    for (const Sensor& sensor : sensors) sensors_.push_back({.sensor = sensor});
    for (const Bound& bound : bounds) bounds_.push_back({.bound = bound});
}

void Monitor::supply(bool closed, Time now) noexcept {
    if (!closed) closed_since_ = never;
    if (closed && closed_since_ == never) closed_since_ = now;
    supplied_ = closed && now - closed_since_ >= supply_time_;
    if (supplied_) return;
    for (Watched& watched : bounds_) {
        if (watched.bound.while_supplied) watched.looks = 0;
    }
}

void Monitor::take(Seen& seen, Raw raw, Time now) noexcept {
    const Sensor& sensor = seen.sensor;
    if (!(raw.value >= sensor.lowest && raw.value <= sensor.highest)) return;  // none: what was seen grows older
    const double worse = sensor.falls ? std::min(raw.value, seen.value) : std::max(raw.value, seen.value);
    seen.value = seen.fresh ? worse : raw.value;
    seen.taken = std::min(raw.begun, now);
    seen.ever = seen.fresh = true;
}

bool Monitor::beyond(const Bound& bound) const noexcept {
    if (bound.while_supplied && !supplied_) return false;
    if (bound.gate != none && !(sensors_[bound.gate].ever && bound.open.holds(sensors_[bound.gate].value)))
        return false;
    return bound.beyond.holds(sensors_[bound.sensor].value);
}

void Monitor::compare(Time now) noexcept {
    for (Watched& watched : bounds_) {
        const Bound& bound = watched.bound;
        const bool looked = sensors_[bound.sensor].fresh;
        if (!looked && (bound.gate == none || !sensors_[bound.gate].fresh)) continue;
        if (!beyond(bound)) {
            watched.looks = 0;
        } else if (looked) {
            if (watched.looks == 0) watched.since = now;
            watched.looks = std::min(watched.looks + 1, 2U);
        }
    }
}

std::optional<std::uint16_t> Monitor::against(bool permit, Time now) noexcept {
    if (!permit) {
        standing_.reset();
    } else if (!standing_) {
        standing_ = objection(now);
    }
    return standing_;
}

std::optional<std::uint16_t> Monitor::objection(Time now) const noexcept {
    for (const Watched& watched : bounds_) {
        if (watched.looks >= 2 && now - watched.since > watched.bound.patience) return watched.bound.name;
    }
    for (const Seen& seen : sensors_) {
        const Sensor& sensor = seen.sensor;
        if (sensor.age == never || (sensor.while_supplied && !supplied_)) continue;
        if (!seen.ever || now - seen.taken > sensor.age) return sensor.name;
    }
    return std::nullopt;
}

}  // namespace dekeyd::second_opinion
