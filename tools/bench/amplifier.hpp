// The simulated amplifier: an invented 120 W amplifier for 1.26 GHz with its exciter, supply, heatsink, feeder and
// antenna, seen through the instruments that a guard would have. It knows nothing of the guard's code.
//
// The numbers that a configuration has to repeat (they are the defaults of `Parameters`):
//
//   what                               number
//   rated forward power                120 W        (about 1 dB compressed, at 2.3 W of drive)
//   small-signal gain                  18.0 dB
//   saturated power at 28 V            160 W        (follows the square of the supply voltage; Rapp p = 3)
//   usual drive                        1.6 W        (gives about 94 W)
//   largest drive                      2.5 W
//   exciter overshoot at key-up        +20 % at its peak after 1 ms, within 1 % after 9 ms
//   coupler at the amplifier's output  40 dB, directivity 30 dB (both arms leak)
//   forward and reflected arm          coupling 40 dB, pad 10 dB, cable 0.5 dB
//   drive arm                          coupling 20 dB, pad 16 dB, cable 0.3 dB
//   each detector                      -24.4 mV/dB, intercept 19.6 dBm, rests near 1.75 V, never below 0.30 V,
//                                      log law within 0.15 dB; trust it from -50 dBm to +5 dBm
//   converter channels                 0 forward, 1 reflected, 2 drive, 3 spare (0 V); 62.5 uV per code;
//                                      one channel each 0.5 ms, so each channel every 2 ms
//   supply                             28 V, 0.05 ohm source resistance, and at key-up a sag of 0.25 ohm that
//                                      recovers with a time constant of 100 ms
//   current                            0.35 A always, 1.2 A quiescent while biased, about 7.3 A at the usual drive
//   relay                              closes in 12 ms, opens in 8 ms; 30 dB below drive leaks through while open
//   feeder                             0.8 dB one way, between the coupler and the antenna
//   heat                               device 12 J/K, 0.3 K/W to the sink; sink 1500 J/K, 0.2 K/W to air with the fan
//                                      (time constant 5 min), 0.8 K/W without it
//   fan                                2400 rpm
#pragma once

#include <cstdint>

#include "bench/chips.hpp"
#include "bench/heat.hpp"
#include "bench/radio.hpp"

namespace bench {

struct Arm {
    double coupling_db = 40.0, pad_db = 10.0, cable_db = 0.5;
    LogDetector detector;
    double square_law_v_per_w = 0.0;  ///< above zero: a diode in its square-law region in the log detector's place
};
/// What its detector gives, with this power on the main line.
double arm_v(const Arm& arm, double line_w) noexcept;

struct Parameters {
    double small_signal_gain_db = 18.0;
    double saturated_w = 160.0;  ///< at nominal_v
    double smoothness = 3.0;
    double nominal_v = 28.0;
    double peak_efficiency = 0.60;  ///< at saturation; falls with the square root of power (class B)

    double exciter_rise_s = 0.0003;                 ///< time constant of its ramps
    double overshoot = 0.35, overshoot_s = 0.0025;  ///< before the ramp softens it

    double relay_close_s = 0.012, relay_open_s = 0.008;
    double open_relay_leak_db = -30.0;

    double source_ohm = 0.05, sag_ohm = 0.25, sag_s = 0.100;
    double housekeeping_a = 0.35, quiescent_a = 1.2;

    double feeder_loss_db = 0.8, feeder_phase_rad = 0.7;
    double directivity_db = 30.0;
    double forward_leak_phase_rad = 2.1, reflected_leak_phase_rad = 0.9;

    Arm forward{}, reflected{}, drive{20.0, 16.0, 0.3, {}};

    HeatPath heat{};
    double fan_full_rpm = 2400.0, fan_s = 1.5;
    double temperature_noise_k = 0.02;

    double rf_gone_w = 0.1;  ///< forward power below this counts as none

    Parameters();  ///< gives each detector its own ripple
};

/// What is really so, as no instrument could tell.
struct Truth {
    std::int64_t time_ns = 0;  ///< since the model began
    double forward_w = 0.0, reflected_w = 0.0, drive_w = 0.0;
    double vswr = 1.0;          ///< at the coupler
    double antenna_vswr = 1.0;  ///< at the antenna
    double compression_db = 0.0;
    double supply_v = 0.0, current_a = 0.0, heat_w = 0.0;
    double device_c = 0.0, heatsink_c = 0.0, ambient_c = 0.0;
    double fan_rpm = 0.0;
    bool permit = false, keyed = false, relay_closed = false, rf = false;
    std::int64_t rf_came_ns = -1, rf_gone_ns = -1;  ///< last such edge; -1: never
};

/// Advances in fixed ticks of 0.5 ms at any step that is asked for, so that the numbers don't depend on them.
class Amplifier {
public:
    static constexpr std::int64_t tick_ns = 500'000;

    explicit Amplifier(std::uint64_t seed = 1, const Parameters& parameters = {}, double ambient_c = 22.0);

    void advance(double seconds) { advance_ns(static_cast<std::int64_t>(seconds * 1e9 + 0.5)); }
    void advance_ns(std::int64_t nanoseconds);  ///< what is less than a tick is kept for the next call

    void permit(bool permitted) noexcept { truth_.permit = permitted; }
    void key(bool keyed) noexcept;
    void drive(double watts) noexcept { wanted_drive_w_ = watts; }
    /// The antenna's own reflection, reached in a straight line over `seconds`.
    void antenna(Reflection reflection, double seconds = 0.0) noexcept;
    void fan(bool running) noexcept { fan_running_ = running; }
    void ambient(double celsius) noexcept { truth_.ambient_c = celsius; }
    void supply(double volts) noexcept { supply_setting_v_ = volts; }
    void thermal_speed(double factor) noexcept { thermal_speed_ = factor; }  ///< divides the heat capacities; 1 .. 1000
    void relay_welded(bool welded) noexcept { relay_welded_ = welded; }
    void emergency_contact(bool closed) noexcept { registers_.emergency_closed = closed; }  ///< open breaks the enable
    void lid_contact(bool closed) noexcept { registers_.lid_closed = closed; }              ///< only reported

    [[nodiscard]] const Truth& truth() const noexcept { return truth_; }
    [[nodiscard]] const Registers& registers() const noexcept { return registers_; }

private:
    void tick();
    void exciter();
    void relay();
    void antenna_moves();
    void radio();
    void supply_and_heat();
    void instruments();

    Parameters parameters_;
    std::uint64_t seed_;
    Leakage leakage_;
    TwoStageHeat heat_;
    Truth truth_;
    Registers registers_;

    std::int64_t ticks_ = 0, pending_ns_ = 0;
    double wanted_drive_w_ = 1.6, level_w_ = 0.0, overshoot_ = 0.0;
    std::int64_t relay_moves_ns_ = 0;  ///< how long the enable has differed from the relay
    bool relay_welded_ = false, fan_running_ = true;
    double supply_setting_v_, slow_current_a_, thermal_speed_ = 1.0;
    Reflection antenna_, antenna_from_, antenna_to_;
    std::int64_t antenna_began_ns_ = 0, antenna_takes_ns_ = 0;
    bool antenna_moves_ = true;  ///< or wasn't looked at yet
    Reflection load_;
    int heatsink_converting_ = 0, air_converting_ = 0;
};

}  // namespace bench
