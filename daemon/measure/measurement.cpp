#include "measure/measurement.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace dekeyd::core {

namespace {

constexpr std::uint16_t no_channel = 0xffff;

Reading within(Reading reading, double factor) noexcept {
    reading.low /= factor;
    reading.high *= factor;
    return reading;
}

}  // namespace

Measurement::Measurement(const Plan& plan)
    : plan_{plan},
      line_{plan.rf},
      news_(plan.quantity_count()),
      quantities_(plan.quantity_count()),
      counts_(plan.channels.size()),
      forecaster_{plan},
      average_{plan.rf},
      window_{plan.rf},
      scan_{.reflections = Reflections{line_}} {
    for (const DerivedRule& rule : derived_rules) {
        derived_age_[static_cast<std::size_t>(rule.derived)] = allowed_age(rule);
        // What isn't announced isn't worked out either.
        if (!can_be_known(plan, plan.index(rule.derived))) continue;
        known_[static_cast<std::size_t>(rule.derived)] = true;
        WorkedOut& which = worked_out_[static_cast<std::size_t>(rule.occasion)];
        (decides(rule) ? which.decide : which.only_shown).push_back(rule.derived);
    }
    for (const std::uint16_t slots : plan.samplers) channel_at_.emplace_back(slots, no_channel);
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        const Channel& channel = plan.channels[i];
        channels_.emplace_back(channel);
        channel_at_[channel.sampler][channel.slot] = static_cast<std::uint16_t>(i);
    }
}

// Forecasts and heat are decided by without a limit. The rest of what a scan says is, where a limit watches it, or
// something that is worked out from it.
bool Measurement::decides(const DerivedRule& rule) const noexcept {
    if (rule.occasion != Occasion::rf_scan && rule.occasion != Occasion::forward) return true;
    if (rule.derived == Derived::gain && decides(rule_of(Derived::compression))) return true;
    const QuantityIndex index = plan_.index(rule.derived);
    return std::any_of(plan_.limits.begin(), plan_.limits.end(), [&](const LimitPlan& limit) {
        return limit.watch == index || (limit.gate && limit.gate->quantity == index);
    });
}

void Measurement::absorb(const Scan& scan, Instant now, bool keyed) noexcept {
    bracket_.reset();
    keyed_ = keyed;
    if (scan.sampler >= channel_at_.size() || of_before_sleep(scan)) return;
    const auto& slots = channel_at_[scan.sampler];
    const std::size_t count = std::min(slots.size(), scan.samples.size());
    std::optional<Converted> reflected;
    for (std::size_t slot = 0; slot < count; ++slot) {
        const std::uint16_t channel = slots[slot];
        if (channel == no_channel) continue;
        if (plan_.roles.forward == channel && plan_.roles.reflected) continue;  // below, with its second reading
        const Sample& sample = scan.samples[slot];
        if (sample.fault == Fault::not_in_scan) continue;
        const Reading converted = convert(channel, sample);
        if (plan_.roles.reflected == channel) reflected = {converted, temperature_for(plan_.channels[channel])};
        const bool news = channels_[channel].add(sample, converted, now);
        tally(channel, news ? Fault::none : channels_[channel].last_fault());
        news_[channel] = news;
        refresh(channel, now);
        if (news && plan_.roles.forward == channel) derive_window(quantities_[channel].value);
    }
    if (plan_.roles.forward && plan_.roles.reflected && plan_.channels[*plan_.roles.forward].sampler == scan.sampler &&
        count == slots.size()) {
        take_forward(scan, reflected, now);
    }
    derive_power();
}

bool Measurement::of_before_sleep(const Scan& scan) const noexcept {
    return awake_since_ && std::any_of(scan.samples.begin(), scan.samples.end(), [&](const Sample& sample) {
               return sample.fault != Fault::not_in_scan && sample.begun <= *awake_since_;
           });
}

void Measurement::tally(std::uint16_t channel, Fault fault) noexcept {
    ChannelCount& counts = counts_[channel];
    if (fault == Fault::none) {
        ++(keyed_ ? counts.good_keyed : counts.good_idle);
    } else {
        ++(keyed_ ? counts.faults_keyed : counts.faults_idle);
        counts.last_fault = fault;
    }
}

// Forward is read before and after reflected; the larger of the two is the reading, so that no peak is lost.
void Measurement::take_forward(const Scan& scan, const std::optional<Converted>& reflected, Instant now) noexcept {
    const std::uint16_t index = *plan_.roles.forward;
    const std::uint16_t reflected_index = *plan_.roles.reflected;
    const Channel& forward = plan_.channels[index];
    const Sample& first = scan.samples[forward.slot];
    const Sample& second = scan.samples[plan_.rf.forward_again_slot];
    if (first.fault == Fault::not_in_scan && second.fault == Fault::not_in_scan) return;
    // As it was converted already, unless this scan has brought another temperature since.
    const bool stands = reflected && reflected->temperature_c == temperature_for(plan_.channels[reflected_index]);
    const Sample& between = scan.samples[plan_.channels[reflected_index].slot];
    const Bracket bracket{.forward_before = convert(index, first),
                          .reflected = stands ? reflected->reading : convert(reflected_index, between),
                          .forward_after = convert(index, second)};
    const auto strength = [](const Reading& r) {
        return r.health == Health::above_range ? unbounded : r.measured() ? r.value : -unbounded;
    };
    const bool second_is_larger = strength(bracket.forward_after) > strength(bracket.forward_before);
    const bool news = second_is_larger ? channels_[index].add(second, bracket.forward_after, now)
                                       : channels_[index].add(first, bracket.forward_before, now);
    for (const Reading* reading : {&bracket.forward_before, &bracket.forward_after}) {
        tally(index, reading->health != Health::unknown ? Fault::none : reading->fault);
    }
    news_[index] = news;
    refresh(index, now);
    const bool both = bracket.forward_before.measured() && bracket.forward_after.measured();
    if (news) derive_window(both ? bracket_forward_w(bracket) : quantities_[index].value);
    derive_rf(bracket);
}

Reading Measurement::convert(std::uint16_t channel, const Sample& sample) const noexcept {
    return channels_[channel].convert(sample, temperature_for(plan_.channels[channel]));
}

std::optional<double> Measurement::temperature_for(const Channel& channel) const noexcept {
    if (!channel.power || !channel.power->temperature_channel) return std::nullopt;
    const Reading& reading = quantities_[*channel.power->temperature_channel];
    return reading.health == Health::good ? std::optional<double>{reading.value} : std::nullopt;
}

void Measurement::derive_rf(const Bracket& bracket) noexcept {
    const BracketState state = bracket_state(plan_.rf, bracket);
    bracket_ = {bracket, state};
    const bool all_measured =
        bracket.forward_before.measured() && bracket.reflected.measured() && bracket.forward_after.measured();
    if (plan_.rf.emission.ratio_time > Duration::zero() && all_measured) return derive_from_average(bracket);
    if (state == BracketState::edge) return;
    const double ratio = ratio_factor_.of(channels_[*plan_.roles.forward].uncertainty_db(bracket.forward_before),
                                          channels_[*plan_.roles.reflected].uncertainty_db(bracket.reflected));
    tell(Reflections{line_, bracket, state, ratio}, quantities_[*plan_.roles.forward], newest(plan_.roles.drive),
         false);
}

Reading Measurement::newest(const std::optional<std::uint16_t>& channel) const noexcept {
    return channel ? quantities_[*channel] : Reading{};
}

void Measurement::tell(const Reflections& reflections, const Reading& forward, const Reading& drive,
                       bool means) noexcept {
    const WorkedOut& which = worked_out_[static_cast<std::size_t>(Occasion::rf_scan)];
    scan_ = {.reflections = reflections,
             .forward = forward,
             .drive = drive,
             .heatsink = newest(plan_.roles.heatsink),
             .means = means,
             .unshown = !which.only_shown.empty()};
    work_out(which.decide, of_scan());
    const Duration age = plan_.channels[*plan_.roles.forward].allowed_age;
    stands_for(age, reflections.taken());
    for (const Reading* reading : {&scan_.forward, &scan_.drive})
        if (reading->health != Health::unknown) stands_for(age, reading->taken);
}

FormulaInputs Measurement::of_scan() const noexcept {
    return {.plan = plan_,
            .quantities = quantities_,
            .reflections = &scan_.reflections,
            .forward = &scan_.forward,
            .drive = &scan_.drive,
            .heatsink = plan_.roles.heatsink ? &scan_.heatsink : nullptr,
            .means = scan_.means};
}

// `mean_w`: of the scan. The reading itself is the larger of two.
void Measurement::derive_window(double mean_w) noexcept {
    const Reading& forward = quantities_[*plan_.roles.forward];
    if (!forward.measured()) return;
    window_.add(forward, mean_w);
    window_forward_ = forward;
    const WorkedOut& which = worked_out_[static_cast<std::size_t>(Occasion::forward)];
    if (!which.decide.empty()) work_out_window(which.decide);
    window_unshown_ = !which.only_shown.empty();
    stands_for(plan_.channels[*plan_.roles.forward].allowed_age, forward.taken);
}

void Measurement::work_out_window(std::span<const Derived> which) noexcept {
    const std::uint16_t index = *plan_.roles.forward;
    const Reading& forward = window_forward_;
    const auto told = [&](double watts, Kept<power_factor>& factor) {
        // Sums of equal readings differ by rounding: less than a millionth above the floor is the floor.
        if (watts <= forward.value * (1.0 + 1e-6) && forward.health == Health::at_floor) return forward;
        Reading reading = forward;
        reading.health = Health::good;
        reading.value = reading.low = reading.high = watts;
        return within(reading, factor.of(channels_[index].uncertainty_db(reading)));
    };
    const Reading mean = told(window_.mean_w(), window_mean_factor_);
    const Reading peak = told(window_.peak_w(), window_peak_factor_);
    work_out(which, {.plan = plan_, .quantities = quantities_, .window_mean = &mean, .window_peak = &peak});
}

void Measurement::show() noexcept {
    if (std::exchange(scan_.unshown, false))
        work_out(worked_out_[static_cast<std::size_t>(Occasion::rf_scan)].only_shown, of_scan());
    if (std::exchange(window_unshown_, false))
        work_out_window(worked_out_[static_cast<std::size_t>(Occasion::forward)].only_shown);
}

double Measurement::ratio_db(const Bracket& bracket) const noexcept {
    return std::hypot(channels_[*plan_.roles.forward].uncertainty_db(bracket.forward_before),
                      channels_[*plan_.roles.reflected].uncertainty_db(bracket.reflected));
}

void Measurement::derive_from_average(const Bracket& bracket) noexcept {
    const Reading* drive = role(plan_.roles.drive);
    switch (average_.add(bracket, drive != nullptr && drive->measured() ? drive : nullptr)) {
        case BracketAverage::Told::quiet: {
            const Reflections none{line_, bracket, BracketState::not_measurable, 1.0};
            return tell(none, quantities_[*plan_.roles.forward], newest(plan_.roles.drive), false);
        }
        case BracketAverage::Told::not_yet: return tell_no_ratio(Fault::none);
        case BracketAverage::Told::never: return tell_no_ratio(Fault::implausible);
        case BracketAverage::Told::ratio: break;
    }
    Bracket means = average_.means();
    const Reading forward = within(means.forward_before,
                                   power_factor(channels_[*plan_.roles.forward].uncertainty_db(means.forward_before)));
    means.forward_before = means.forward_after = forward;
    const Reflections r{line_, means, BracketState::measurable, ratio_factor_.of(ratio_db(means), average_.doubt_db())};
    Reading mean_drive = drive != nullptr ? *drive : Reading{};
    if (mean_drive.measured())
        mean_drive =
            within(average_.drive(), power_factor(channels_[*plan_.roles.drive].uncertainty_db(average_.drive())));
    tell(r, forward, mean_drive, true);
}

// Not yet: what was told last stands, and isn't told again. It is as young as the readings that it waits for.
void Measurement::tell_no_ratio(Fault fault) noexcept {
    show();
    const Instant taken = bracket_->bracket.forward_before.taken;
    const auto tell = [&](Derived derived) {
        Reading& reading = quantities_[plan_.index(derived)];
        if (fault != Fault::none)
            reading = {.fault = fault, .taken = taken};
        else if (reading.health == Health::unknown)
            reading = not_measurable(taken);
        reading.taken = taken;
    };
    const WorkedOut& which = worked_out_[static_cast<std::size_t>(Occasion::rf_scan)];
    std::for_each(which.decide.begin(), which.decide.end(), tell);
    std::for_each(which.only_shown.begin(), which.only_shown.end(), tell);
    stands_for(plan_.channels[*plan_.roles.forward].allowed_age, taken);
}

void Measurement::derive_power() noexcept {
    const Roles& roles = plan_.roles;
    const bool news = (roles.supply && news_[*roles.supply] != 0) || (roles.current && news_[*roles.current] != 0) ||
                      std::any_of(roles.more_feeds.begin(), roles.more_feeds.end(), [&](const Feed& feed) {
                          return news_[feed.current] != 0 || (feed.supply && news_[*feed.supply] != 0);
                      });
    if (!news) return;
    const WorkedOut& which = worked_out_[static_cast<std::size_t>(Occasion::dc_news)];
    work_out(which.decide, {.plan = plan_, .quantities = quantities_});
    for (const Derived derived : which.decide) {
        const Reading& reading = quantities_[plan_.index(derived)];
        if (reading.health != Health::unknown)
            stands_for(derived_age_[static_cast<std::size_t>(derived)], reading.taken);
    }
}

void Measurement::work_out(std::span<const Derived> which, const FormulaInputs& around) noexcept {
    for (const Derived derived : which) {
        const QuantityIndex index = plan_.index(derived);
        quantities_[index] = core::work_out(derived, around);
        news_[index] = true;
    }
}

bool Measurement::forecast(Instant now, const std::optional<Instant>& transmitting_since,
                           const Moment& moment) noexcept {
    // For the compression.
    if (forecaster_.is_due(now)) show();
    const Roles& r = plan_.roles;
    const ForecastInput input{.now = now,
                              .heatsink = role(r.heatsink),
                              .ambient = role(r.ambient),
                              .fan = slowest_fan(),
                              .heat = known(Derived::heat),
                              .dc_power = known(Derived::dc_power),
                              .forward = role(r.forward),
                              .reflected = role(r.reflected),
                              .drive = role(r.drive),
                              .compression = known(Derived::compression),
                              .transmitting_since = transmitting_since,
                              .moment = moment};
    if (!forecaster_.update(input)) return false;
    work_out(worked_out_[static_cast<std::size_t>(Occasion::forecast)].decide,
             {.plan = plan_, .quantities = quantities_, .forecast = &forecaster_.forecast()});
    return true;
}

Reading Measurement::all_currents() const noexcept {
    Reading all = *role(plan_.roles.current);
    for (const Feed& feed : plan_.roles.more_feeds) all = sum(all, quantities_[feed.current]);
    return all;
}

const Reading* Measurement::slowest_fan() const noexcept {
    const Reading* slowest = role(plan_.roles.fan);
    for (const std::uint16_t fan : plan_.roles.more_fans) {
        const Reading& one = quantities_[fan];
        if (!slowest->measured()) break;
        if (!one.measured() || one.value < slowest->value) slowest = &one;
    }
    return slowest;
}

const Reading* Measurement::known(Derived derived) const noexcept {
    return known_[static_cast<std::size_t>(derived)] ? &quantities_[plan_.index(derived)] : nullptr;
}

const Reading* Measurement::role(const std::optional<std::uint16_t>& channel) const noexcept {
    return channel ? &quantities_[*channel] : nullptr;
}

bool Measurement::rf_absent() const noexcept {
    return rf() == RfLook::absent;
}

RfLook Measurement::rf() const noexcept {
    if (!rf_) rf_ = rf_look(plan_.rf, role(plan_.roles.forward), role(plan_.roles.reflected));
    return *rf_;
}

bool Measurement::drive_absent() const noexcept {
    const Reading* drive = role(plan_.roles.drive);
    return drive == nullptr || (drive->measured() && drive->value < plan_.rf.drive_absent_w);
}

}  // namespace dekeyd::core
