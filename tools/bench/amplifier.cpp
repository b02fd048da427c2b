#include "bench/amplifier.hpp"

#include <algorithm>
#include <cmath>

#include "bench/noise.hpp"

namespace bench {
namespace {

constexpr double tick_s = static_cast<double>(Amplifier::tick_ns) * 1e-9;

// Streams of noise. The converter's channels take 0 to 3.
enum Stream : std::uint64_t { heatsink_noise = 8, air_noise = 9, fan_noise = 10 };

double toward(double from, double to, double time_constant_s, double seconds) noexcept {
    return from == to ? to : to + (from - to) * std::exp(-seconds / time_constant_s);  // most ticks are at rest
}

double detector_input_w(const Arm& arm, double line_w) noexcept {
    return line_w * std::pow(10.0, -(arm.coupling_db + arm.pad_db + arm.cable_db) / 10.0);
}

}  // namespace

double arm_v(const Arm& arm, double line_w) noexcept {
    const double input_w = detector_input_w(arm, line_w);
    return arm.square_law_v_per_w > 0.0 ? arm.square_law_v_per_w * input_w : detector_v(arm.detector, input_w);
}

Parameters::Parameters() {
    forward.detector.ripple_phase_rad = 0.3;
    reflected.detector.ripple_phase_rad = 1.9;
    drive.detector.ripple_phase_rad = 4.0;
}

Amplifier::Amplifier(std::uint64_t seed, const Parameters& parameters, double ambient_c)
    : parameters_(parameters),
      seed_(seed),
      leakage_{std::polar(voltage_ratio(-parameters.directivity_db), parameters.forward_leak_phase_rad),
               std::polar(voltage_ratio(-parameters.directivity_db), parameters.reflected_leak_phase_rad)},
      heat_(parameters.heat, ambient_c),
      supply_setting_v_(parameters.nominal_v),
      slow_current_a_(parameters.housekeeping_a),
      antenna_(std::polar(magnitude_of_vswr(1.15), 0.5)) {
    antenna_from_ = antenna_to_ = antenna_;
    truth_.ambient_c = ambient_c;
    truth_.supply_v = supply_setting_v_ - parameters_.source_ohm * slow_current_a_;
    truth_.current_a = slow_current_a_;
    truth_.fan_rpm = parameters_.fan_full_rpm;
    truth_.device_c = truth_.heatsink_c = ambient_c;
    antenna_moves();
    // What every chip holds before anything happens: a whole round of the converter, a conversion of each sensor.
    heatsink_converting_ = air_converting_ = ds18b20_sixteenths(ambient_c);
    registers_.heatsink_sixteenths = registers_.air_sixteenths = heatsink_converting_;
    registers_.supply_mv = ltc4151_in_mv(truth_.supply_v);
    registers_.current_ma = ltc4151_curr_ma(truth_.current_a);
    registers_.fan_rpm = static_cast<int>(truth_.fan_rpm);
    registers_.adc = {adc_code(arm_v(parameters_.forward, 0.0)), adc_code(arm_v(parameters_.reflected, 0.0)),
                      adc_code(arm_v(parameters_.drive, 0.0)), 0};
}

void Amplifier::advance_ns(std::int64_t nanoseconds) {
    pending_ns_ += nanoseconds;
    while (pending_ns_ >= tick_ns) {
        pending_ns_ -= tick_ns;
        tick();
    }
}

void Amplifier::key(bool keyed) noexcept {
    if (keyed && !truth_.keyed) overshoot_ = parameters_.overshoot;
    truth_.keyed = keyed;
    registers_.key_closed = keyed;
}

void Amplifier::antenna(Reflection reflection, double seconds) noexcept {
    antenna_from_ = antenna_;
    antenna_to_ = reflection;
    antenna_began_ns_ = truth_.time_ns;
    antenna_takes_ns_ = static_cast<std::int64_t>(seconds * 1e9);
    antenna_moves_ = true;
}

void Amplifier::tick() {
    ++ticks_;
    truth_.time_ns = ticks_ * tick_ns;
    exciter();
    relay();
    antenna_moves();
    radio();
    supply_and_heat();
    instruments();
}

void Amplifier::exciter() {
    const double target_w = truth_.keyed ? wanted_drive_w_ : 0.0;
    level_w_ = toward(level_w_, target_w, parameters_.exciter_rise_s, tick_s);
    overshoot_ = toward(overshoot_, 0.0, parameters_.overshoot_s, tick_s);
    truth_.drive_w = level_w_ < 1e-9 ? 0.0 : level_w_ * (1.0 + overshoot_);
}

void Amplifier::relay() {
    const bool enabled = truth_.permit && registers_.emergency_closed;
    registers_.enable_present = enabled;
    if (enabled == truth_.relay_closed || (relay_welded_ && truth_.relay_closed)) {
        relay_moves_ns_ = 0;
        return;
    }
    relay_moves_ns_ += tick_ns;
    const double takes_s = enabled ? parameters_.relay_close_s : parameters_.relay_open_s;
    if (relay_moves_ns_ < static_cast<std::int64_t>(takes_s * 1e9)) return;
    truth_.relay_closed = enabled;
    relay_moves_ns_ = 0;
}

void Amplifier::antenna_moves() {
    if (!antenna_moves_) return;
    const std::int64_t since_ns = truth_.time_ns - antenna_began_ns_;
    const double part =
        since_ns >= antenna_takes_ns_ ? 1.0 : static_cast<double>(since_ns) / static_cast<double>(antenna_takes_ns_);
    antenna_moves_ = part < 1.0;
    antenna_ = antenna_from_ + part * (antenna_to_ - antenna_from_);
    load_ = through_feeder(antenna_, parameters_.feeder_loss_db, parameters_.feeder_phase_rad);
    truth_.antenna_vswr = vswr_of(std::abs(antenna_));
    truth_.vswr = vswr_of(std::abs(load_));
}

void Amplifier::radio() {
    const double supplied = truth_.supply_v / parameters_.nominal_v;
    const double saturated_w = parameters_.saturated_w * supplied * supplied;
    if (!(truth_.drive_w > 0.0)) {
        truth_.forward_w = truth_.compression_db = 0.0;
    } else if (truth_.relay_closed) {
        const double linear_w = truth_.drive_w * std::pow(10.0, parameters_.small_signal_gain_db / 10.0);
        truth_.forward_w =
            rapp_w(truth_.drive_w, parameters_.small_signal_gain_db, saturated_w, parameters_.smoothness);
        truth_.compression_db = truth_.forward_w > 0.0 ? 10.0 * std::log10(linear_w / truth_.forward_w) : 0.0;
    } else {
        truth_.forward_w = truth_.drive_w * std::pow(10.0, parameters_.open_relay_leak_db / 10.0);
        truth_.compression_db = 0.0;
    }
    truth_.reflected_w = truth_.forward_w * std::norm(load_);
    const bool rf = truth_.forward_w >= parameters_.rf_gone_w;
    if (rf && !truth_.rf) truth_.rf_came_ns = truth_.time_ns;
    if (!rf && truth_.rf) truth_.rf_gone_ns = truth_.time_ns;
    truth_.rf = rf;
}

void Amplifier::supply_and_heat() {
    double drain_a = 0.0;
    if (truth_.relay_closed && truth_.keyed && truth_.supply_v > 1.0) {
        // Class B alone draws in proportion to the output voltage; class AB never less than its quiescent current.
        const double supplied = truth_.supply_v / parameters_.nominal_v;
        const double saturated_w = parameters_.saturated_w * supplied * supplied;
        const double class_b_a =
            std::sqrt(truth_.forward_w * saturated_w) / parameters_.peak_efficiency / truth_.supply_v;
        drain_a = std::hypot(parameters_.quiescent_a, class_b_a);
    }
    truth_.current_a = supply_setting_v_ > 1.0 ? parameters_.housekeeping_a + drain_a : 0.0;
    slow_current_a_ = toward(slow_current_a_, truth_.current_a, parameters_.sag_s, tick_s);
    // A regulator that is slow to answer: a step of current sags, an unloading rings up by as much.
    const double sag_v = parameters_.sag_ohm * (truth_.current_a - slow_current_a_);
    truth_.supply_v = std::max(0.0, supply_setting_v_ - parameters_.source_ohm * truth_.current_a - sag_v);

    const double radiated_w = truth_.relay_closed ? truth_.forward_w - truth_.reflected_w : 0.0;
    truth_.heat_w = std::max(0.0, drain_a * truth_.supply_v - radiated_w);
    truth_.fan_rpm = toward(truth_.fan_rpm, fan_running_ ? parameters_.fan_full_rpm : 0.0, parameters_.fan_s, tick_s);
    if (!fan_running_ && truth_.fan_rpm < 60.0) truth_.fan_rpm = 0.0;  // friction
    heat_.advance(tick_s * thermal_speed_, truth_.heat_w, truth_.ambient_c, truth_.fan_rpm / parameters_.fan_full_rpm);
    truth_.device_c = heat_.device_c();
    truth_.heatsink_c = heat_.sink_c();
}

void Amplifier::instruments() {
    // The converter has one multiplexer: a channel a tick, so forward and reflected are never of one moment.
    const auto channel = static_cast<Channel>(ticks_ % 4);
    const Arms arms =
        channel == forward || channel == reflected ? through_coupler(truth_.forward_w, load_, leakage_) : Arms{};
    double volts = 0.0;
    double noise_v = 0.0001;
    const auto detect = [&](const Arm& arm, double line_w) {
        volts = arm_v(arm, line_w);
        noise_v = arm.detector.noise_v;
    };
    if (channel == forward) detect(parameters_.forward, arms.forward_w);
    if (channel == reflected) detect(parameters_.reflected, arms.reflected_w);
    if (channel == Channel::drive) detect(parameters_.drive, truth_.drive_w);
    const auto index = static_cast<std::uint64_t>(ticks_);
    registers_.adc[channel] = adc_code(volts + noise_v * gaussian(seed_, channel, index));

    if (truth_.time_ns % ds18b20_period_ns == 0) {
        heatsink_converting_ = ds18b20_sixteenths(truth_.heatsink_c + parameters_.temperature_noise_k *
                                                                          gaussian(seed_, heatsink_noise, index));
        air_converting_ =
            ds18b20_sixteenths(truth_.ambient_c + parameters_.temperature_noise_k * gaussian(seed_, air_noise, index));
    }
    if (truth_.time_ns % ds18b20_period_ns == ds18b20_conversion_ns) {
        registers_.heatsink_sixteenths = heatsink_converting_;
        registers_.air_sixteenths = air_converting_;
    }
    if (truth_.time_ns / ltc4151_period_ns != (truth_.time_ns - tick_ns) / ltc4151_period_ns) {
        registers_.supply_mv = ltc4151_in_mv(truth_.supply_v);
        registers_.current_ma = ltc4151_curr_ma(truth_.current_a);
    }
    if (truth_.time_ns % ds18b20_period_ns == 0) {
        // A tachometer counts whole pulses: thirty turns a minute each.
        const double jitter = truth_.fan_rpm > 0.0 ? 12.0 * gaussian(seed_, fan_noise, index) : 0.0;
        registers_.fan_rpm = std::max(0, 30 * static_cast<int>(std::lround((truth_.fan_rpm + jitter) / 30.0)));
    }
}

}  // namespace bench
