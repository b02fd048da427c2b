// How readings grow old: until when each may be believed, and what a sleep or a lost feed takes.
#include <algorithm>

#include "measure/measurement.hpp"

namespace dekeyd::core {

// As old as its forward or supply reading may grow; the sum of several feeds as the longest of them.
Duration Measurement::allowed_age(const DerivedRule& rule) const noexcept {
    const Roles& roles = plan_.roles;
    const auto of = [&](const std::optional<std::uint16_t>& channel) {
        return channel ? plan_.channels[*channel].allowed_age : Duration::zero();
    };
    if (!rule.wants(Input::supply)) return of(roles.forward);
    Duration age = of(roles.supply);
    if (roles.supply)
        for (const Feed& feed : roles.more_feeds) age = std::max(age, of(feed.supply));
    return age;
}

void Measurement::refresh(std::uint16_t channel, Instant now) noexcept {
    const ChannelReader& reader = channels_[channel];
    quantities_[channel] = reader.at(now);
    rf_.reset();
    counts_[channel].frozen = reader.frozen(now);
    stands_until_ = std::min(stands_until_, reader.stands_until(now));
}

// A reading that isn't renewed becomes unknown. Derived quantities live as long as their forward or supply reading may.
void Measurement::grow_old(Instant now) noexcept {
    if (now <= stands_until_) return;
    show();
    stands_until_ = Instant::max();
    for (std::size_t i = 0; i < channels_.size(); ++i) refresh(static_cast<std::uint16_t>(i), now);
    // The sum of several feeds is lost with any of them, each by its own age, and by the longest where no news comes.
    const Roles& roles = plan_.roles;
    const Reading* const lost_of_several = roles.more_feeds.empty() ? nullptr : lost_feed();
    for (std::size_t i = 0; i < derived_count; ++i) {
        Reading& reading = quantities_[channels_.size() + i];
        if (reading.health == Health::unknown) continue;
        const DerivedRule& rule = rule_of(static_cast<Derived>(i));
        if (rule.occasion == Occasion::forecast) continue;  // renewed by itself, independent of the sensors
        const bool of_supply = rule.wants(Input::supply);
        const auto& source = of_supply ? roles.supply : roles.forward;
        const Reading* const lost = of_supply ? lost_of_several : nullptr;
        if (lost == nullptr && now - reading.taken <= derived_age_[i]) {
            stands_for(derived_age_[i], reading.taken);
            continue;
        }
        const Fault why = lost != nullptr ? lost->fault : source ? channels_[*source].at(now).fault : Fault::stale;
        reading = {.fault = why == Fault::none ? Fault::stale : why, .taken = reading.taken};
    }
}

void Measurement::stands_for(Duration age, Instant taken) noexcept {
    stands_until_ = std::min(stands_until_, taken + age);
}

// The monotonic clock stood still: what it calls fresh may be hours old.
void Measurement::forget_readings() noexcept {
    show();
    rf_.reset();
    stands_until_ = Instant::min();
    for (ChannelReader& channel : channels_) channel.forget();
    average_.forget();
    window_.forget();
    for (Reading& reading : quantities_) {
        if (reading.health != Health::unknown) reading = {.fault = Fault::stale, .taken = reading.taken};
    }
}

const Reading* Measurement::lost_feed() const noexcept {
    const auto lost = [this](const std::optional<std::uint16_t>& channel) {
        const Reading* const reading = role(channel);
        return reading != nullptr && reading->health == Health::unknown ? reading : nullptr;
    };
    if (const Reading* first = lost(plan_.roles.supply)) return first;
    if (const Reading* first = lost(plan_.roles.current)) return first;
    for (const Feed& feed : plan_.roles.more_feeds) {
        if (const Reading* one = lost(feed.supply)) return one;
        if (const Reading* one = lost(feed.current)) return one;
    }
    return nullptr;
}

}  // namespace dekeyd::core
