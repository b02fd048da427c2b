#include "measure/channel_reader.hpp"

#include <algorithm>
#include <cmath>

#include "maths/correction.hpp"
#include "maths/rf.hpp"
#include "maths/uncertainty.hpp"

namespace dekeyd::core {

namespace {

// A lone wild sample costs eight, a believed one pays one back: more than one wild one in nine adds up: four in a row,
// or five in ten samples, are erratic.
constexpr std::uint8_t unconfirmed_costs = 8, erratic_from = 32, most_doubt = 48;

Reading failed(Fault fault, Instant begun) noexcept {
    return {.fault = fault, .taken = begun};
}

}  // namespace

ChannelReader::ChannelReader(const Channel& channel) noexcept : channel_{&channel} {
    if (!channel.power) return;
    const PowerChain& chain = *channel.power;
    const PowerBudget budget = power_budget(chain, chain.ceiling_dbm);
    const Estimate watt = power_estimate({.watts = 1.0, .range = DetectorRange::inside}, budget);
    uncertainty_db_ = budget.combined_db;
    lower_ = watt.low;
    upper_ = watt.high;
    if (chain.temperature_channel) {
        const double cold = chain.temperature_db_per_k * (chain.temperature_low_c - chain.temperature_reference_c);
        const double hot = chain.temperature_db_per_k * (chain.temperature_high_c - chain.temperature_reference_c);
        lost_lower_ = std::pow(10.0, std::min({cold, hot, 0.0}) / 10.0);
        lost_upper_ = std::pow(10.0, std::max({cold, hot, 0.0}) / 10.0);
    }
    ceiling_w_ = line_power(chain, chain_volts(chain, chain.ceiling_dbm), std::nullopt).watts;
    ceiling_low_w_ = ceiling_w_ * lower_ * lost_lower_;
}

double ChannelReader::uncertainty_db(const Reading& reading) const noexcept {
    if (!channel_->power || !channel_->power->correction) return uncertainty_db_;
    const bool least = reading.health == Health::above_range;  // its upper end is open
    return least ? db_from_ratio(reading.value / reading.low) : db_from_ratio(reading.high / reading.value);
}

// More power than the chain can see: at least its ceiling.
Reading ChannelReader::beyond(Fault fault, Instant begun) const noexcept {
    return {.value = ceiling_w_,
            .low = ceiling_low_w_,
            .high = unbounded,
            .health = Health::above_range,
            .fault = fault,
            .taken = begun};
}

Reading ChannelReader::convert_power(double volts, Instant begun, std::optional<double> temperature_c) const noexcept {
    const LinePower power = line_power(*channel_->power, volts, temperature_c);
    if (power.range == DetectorRange::above_ceiling) return beyond(Fault::none, begun);
    double lower = lower_, upper = upper_;
    if (channel_->power->correction) {
        const Estimate watt = power_estimate({.watts = 1.0, .range = DetectorRange::inside},
                                             power_budget_at(*channel_->power, power.watts));
        lower = watt.low;
        upper = watt.high;
    }
    if (channel_->power->temperature_channel && !temperature_c) {
        lower *= lost_lower_;
        upper *= lost_upper_;
    }
    const bool floor = power.range == DetectorRange::at_floor;
    return {.value = power.watts,
            .low = floor ? 0.0 : power.watts * lower,
            .high = power.watts * upper,
            .health = floor ? Health::at_floor : Health::good,
            .fault = Fault::none,
            .taken = begun};
}

Reading ChannelReader::convert(const Sample& sample, std::optional<double> temperature_c) const noexcept {
    const Channel& channel = *channel_;
    const Instant begun = sample.begun;
    const bool power = channel.power.has_value();
    // A detector driven past its window is a great deal of power, not a missing reading.
    const bool falls = power && falls_with_power(channel.power->detector);
    const Fault strong_saturation = falls ? Fault::saturated_low : Fault::saturated_high;
    if (sample.fault != Fault::none) {
        return power && sample.fault == strong_saturation ? beyond(sample.fault, begun) : failed(sample.fault, begun);
    }
    const double value = sample.value;
    if (!std::isfinite(value)) return failed(Fault::garbled, begun);
    if (channel.valid_low < channel.valid_high) {
        if (value < channel.valid_low) {
            return falls ? beyond(Fault::below_window, begun) : failed(Fault::below_window, begun);
        }
        if (value > channel.valid_high) {
            return power && !falls ? beyond(Fault::above_window, begun) : failed(Fault::above_window, begun);
        }
    }
    if (power) return convert_power(value, begun, temperature_c);
    const double converted = (value - channel.zero) * channel.gain;
    if (!std::isfinite(converted)) return failed(Fault::garbled, begun);
    return {.value = converted,
            .low = converted,
            .high = converted,
            .health = Health::good,
            .fault = Fault::none,
            .taken = begun};
}

bool ChannelReader::add(const Sample& sample, Instant now, std::optional<double> temperature_c) noexcept {
    return add(sample, convert(sample, temperature_c), now);
}

bool ChannelReader::add(const Sample& sample, Reading reading, Instant now) noexcept {
    if (sample.fault == Fault::not_in_scan) return false;
    // A stamp from the future would never grow old.
    reading.taken = std::min(reading.taken, now);
    if (channel_->kind == ChannelKind::contact && reading.health == Health::good) {
        if (seen_ && sample.openings != openings_) reading.value = reading.low = reading.high = 0.0;
        openings_ = sample.openings;
    }
    if (reading.health == Health::unknown) {
        fault_ = reading.fault;
        return false;
    }
    if (reading.health == Health::good && !believable(reading.value, reading.taken)) {
        fault_ = Fault::unconfirmed;
        return false;
    }
    note_change(sample.value, reading.taken);
    if (channel_->frozen_is_fault && frozen(now)) {
        fault_ = Fault::frozen;
        return false;
    }
    fault_ = Fault::none;
    last_ = reading;
    seen_ = true;
    return true;
}

bool ChannelReader::believable(double value, Instant begun) noexcept {
    if (channel_->kind != ChannelKind::temperature) return true;
    if (!confirmed(value, begun)) {
        doubt_ += unconfirmed_costs;
        // Once erratic, it has to be steady for a while, so that readings at the edge don't come and go.
        if (doubt_ >= erratic_from) doubt_ = most_doubt;
        return false;
    }
    if (doubt_ > 0 && --doubt_ == erratic_from - 1) doubt_ = 0;
    return doubt_ < erratic_from;
}

/// True where the value follows from what was read before. The power-on value is what a part says that has lost its
/// supply, as often as it is asked: another one like it confirms nothing, nor does it confirm a neighbour.
bool ChannelReader::confirmed(double value, Instant begun) noexcept {
    const double step = channel_->largest_jump;
    const double near = std::max(step, 1.0);
    const bool power_on = channel_->power_on_value && value == *channel_->power_on_value;
    const bool near_last = seen_ && std::abs(value - last_.value) <= near;
    const bool jump = seen_ && step > 0.0 && std::abs(value - last_.value) > step;
    const bool near_candidate = candidate_ && begun > candidate_at_ && std::abs(value - *candidate_) <= near;
    if (near_candidate || (power_on ? near_last : !jump)) {
        // While it is erratic none is believed: what is far from the last believed one is compared with its neighbour.
        candidate_ = jump ? std::optional{value} : std::nullopt;
        return true;
    }
    if (!power_on) {
        candidate_ = value;
        candidate_at_ = begun;
    }
    return false;
}

void ChannelReader::note_change(double value, Instant begun) noexcept {
    if (seen_ && value == unchanged_value_) return;
    unchanged_value_ = value;
    unchanged_since_ = begun;
}

bool ChannelReader::frozen(Instant now) const noexcept {
    return seen_ && channel_->frozen_after > Duration::zero() && now - unchanged_since_ > channel_->frozen_after;
}

Instant ChannelReader::stands_until(Instant now) const noexcept {
    if (!seen_) return Instant::max();
    const Instant old = last_.taken + channel_->allowed_age;
    const Instant until = now <= old ? old : Instant::max();
    if (channel_->frozen_after <= Duration::zero() || frozen(now)) return until;
    return std::min(until, unchanged_since_ + channel_->frozen_after);
}

Reading ChannelReader::at(Instant now) const noexcept {
    if (!seen_) return {.fault = fault_};
    if (now - last_.taken <= channel_->allowed_age) return last_;
    return {.fault = fault_ == Fault::none ? Fault::stale : fault_, .taken = last_.taken};
}

}  // namespace dekeyd::core
