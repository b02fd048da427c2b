#include "formats/ranges.hpp"

#include <algorithm>
#include <array>
#include <vector>

#include "core/exposure.hpp"

namespace dekeyd::formats {
namespace {

using D = Dimension;

constexpr double us = 1e-6, ms = 1e-3, minute = 60.0, hour = 3600.0, day = 86400.0;
constexpr double mw = 1e-3, kw = 1e3;
// A line that is a file runs on busy machines and in emulations, where everything is late.
constexpr double patient = minute;

/// No value beyond the range is ever taken.
constexpr RangeRow fixed(std::string_view path, std::string_view of, D dimension, double lowest, double highest,
                         std::string_view why, Compared compared = Compared::value) {
    return {path, of, dimension, lowest, highest, lowest, highest, why, compared};
}

constexpr std::string_view fast =
    "power vswr reflection return-loss mismatch-loss net-power antenna-vswr antenna-power";
constexpr std::string_view slow_sum = "gain compression dc-power efficiency heat circulator-load";

// Figures of semiconductors are of what survives: a transistor into a bad load seconds at best, its heatsink minutes.
constexpr std::array guard_rows{
    RangeRow{"guard.period", "", D::time, 1 * ms, 100 * ms, 1 * ms, 1.0, "each trip waits for it"},
    RangeRow{"guard.deadline", "", D::time, 2 * ms, 1.0, 2 * ms, patient,
             "a guard that stands still shall inhibit before the amplifier is hurt"},
    RangeRow{"guard.settling", "", D::time, 0.5, 10 * minute, 0.0, hour,
             "supplies and sensors need half a second to settle, and none needs ten minutes"},
    RangeRow{"guard.hold_off", "", D::time, 0.5, 10 * minute, 0.0, hour,
             "a loose contact comes and goes within tenths of a second, and ten minutes show no more than one"},
    RangeRow{"lockout.trips", "", D::number, 1, 10, 1, 100, "each trip before the lockout is one more into the fault",
             Compared::whole},
    RangeRow{"lockout.window", "", D::time, minute, 7 * day, 1.0, 30 * day,
             "a count of trips says something over minutes to days"},
    RangeRow{"lockout.unclean_starts", "", D::number, 1, 10, 1, 100,
             "each start after a crash permits once more without knowing why it crashed", Compared::whole},
    RangeRow{"lockout.unclean_window", "", D::time, 2 * minute, 7 * day, 1.0, 30 * day,
             "the service manager waits 10 s before each start, so a shorter window counts none"},
};

constexpr std::array bus_rows{
    RangeRow{"buses.*.period", "w1", D::time, 100 * ms, 30.0, 1 * ms, patient,
             "a heatsink is hot within half a minute, and the wire needs its rest"},
    RangeRow{"buses.*.period", "iio", D::time, 1 * ms, 500 * ms, 1 * ms, patient,
             "what a converter reads is judged once a scan"},
    RangeRow{"buses.*.period", "hwmon", D::time, 1 * ms, 5.0, 1 * ms, patient,
             "what a chip reads is judged once a scan"},
    RangeRow{"buses.*.period", "contact", D::time, 1 * ms, 500 * ms, 1 * ms, patient,
             "an interlock that opens is seen once a scan"},
    RangeRow{"buses.*.conversion", "w1", D::time, 90 * ms, 2.0, 1 * us, patient,
             "a thermometer takes 94 ms for 9 bits and 750 ms for 12"},
    RangeRow{"buses.*.conversion", "iio", D::time, 1 * us, 200 * ms, 1 * us, patient,
             "a converter takes microseconds to a tenth of a second for a channel"},
    RangeRow{"buses.*.conversion", "hwmon", D::time, 1 * us, 500 * ms, 1 * us, patient,
             "a chip answers within half a second"},
    RangeRow{"buses.*.conversion", "contact", D::time, 1 * us, 10 * ms, 1 * us, patient,
             "a contact is read in microseconds"},
    fixed("buses.*.codes", "", D::number, -2147483648.0, 4294967295.0, "no converter has more than 32 bits"),
};

constexpr std::array sensor_rows{
    RangeRow{"sensors.*.allowed_age", "power", D::time, 2 * ms, 1.0, 1 * ms, patient,
             "a lost antenna burns a transistor within a second, and an older power doesn't show it"},
    RangeRow{"sensors.*.allowed_age", "temperature", D::time, 100 * ms, 30.0, 1 * ms, 10 * minute,
             "a heatsink whose fan has stopped is hot within half a minute"},
    RangeRow{"sensors.*.allowed_age", "voltage current", D::time, 2 * ms, 2.0, 1 * ms, patient,
             "a supply that fails does its harm within seconds"},
    RangeRow{"sensors.*.allowed_age", "speed", D::time, 10 * ms, 10.0, 1 * ms, patient,
             "without its fan a heatsink heats within seconds"},
    RangeRow{"sensors.*.allowed_age", "contact", D::time, 2 * ms, 1.0, 1 * ms, patient,
             "an interlock is there for a hand that is faster than a second"},
    RangeRow{"sensors.*.frozen_after", "", D::time, 1.0, 7 * day, 10 * ms, 30 * day,
             "a reading may well be the same for a second, and one that is frozen shall be found"},
    fixed("sensors.*.valid", "", D::temperature, -100.0, 400.0, "no sensor for an amplifier gives it"),
    fixed("sensors.*.valid", "", D::voltage, -100.0, 10e3, "no input gives it"),
    fixed("sensors.*.valid", "", D::current, -1e3, 1e3, "no shunt gives it"),
    fixed("sensors.*.valid", "", D::speed, 0.0, 100e3, "no fan turns so"),
    fixed("sensors.*.gain", "", D::number, 1e-3, 1e4, "no divider has it"),
    fixed("sensors.*.zero", "", D::voltage, -100.0, 100.0, "no input rests there"),
    fixed("sensors.*.zero", "", D::current, -100.0, 100.0, "no shunt rests there"),
    fixed("sensors.*.sensitivity", "current", D::volts_per_ampere, 10e-6, 10.0,
          "shunts and current sensors give microvolts to volts for an ampere", Compared::size),
    fixed("sensors.*.sensitivity", "temperature", D::volts_per_kelvin, 10e-6, 1.0,
          "temperature sensors give microvolts (a thermocouple) to tenths of a volt for a kelvin", Compared::size),
    RangeRow{"sensors.*.largest_jump", "", D::temperature_difference, 0.5, 20.0, 0.1, 200.0,
             "a sensor's own steps reach some tenths, and no heatsink moves by tens between two readings"},
    fixed("sensors.*.power_on_value", "", D::temperature, -100.0, 200.0, "no thermometer gives it"),
    fixed("sensors.*.hold_off", "contact", D::time, 0.0, hour, "an hour after it closed a contact is closed"),
};

constexpr std::array detector_rows{
    fixed("sensors.*.detector.slope", "", D::volts_per_db, 5e-3, 0.2, "log detectors have 15 to 100 mV/dB",
          Compared::size),
    fixed("sensors.*.detector.intercept", "", D::level, -150.0, 100.0, "no log detector has it"),
    fixed("sensors.*.detector.floor", "", D::level, -110.0, 40.0, "no detector can tell so little from none"),
    fixed("sensors.*.detector.ceiling", "", D::level, -60.0, 60.0, "no detector bears or needs that"),
    fixed("sensors.*.detector.square_law", "", D::volts_per_watt, 0.1, 1e6, "diodes give 0.1 V to 1 MV for a watt"),
    fixed("sensors.*.detector.table.at", "", D::level, -110.0, 60.0, "no detector is meant for that"),
    fixed("sensors.*.detector.table.volts", "", D::voltage, -100.0, 100.0, "no detector gives it"),
    fixed("sensors.*.coupling", "", D::ratio_db, 0.0, 80.0, "no coupler on a main line has it"),
    fixed("sensors.*.pads", "", D::ratio_db, 0.0, 80.0, "no detector needs so much before it"),
    fixed("sensors.*.cable", "", D::ratio_db, 0.0, 20.0, "a cable to a detector isn't so long"),
    fixed("sensors.*.waveform", "", D::ratio_db, 0.0, 15.0, "no waveform is read so wrongly", Compared::size),
    fixed("sensors.*.drift.coefficient", "", D::db_per_kelvin, 0.0, 0.2, "no detector drifts so much", Compared::size),
    fixed("sensors.*.drift.reference", "", D::temperature, -40.0, 100.0, "no detector is calibrated there"),
    fixed("sensors.*.uncertainty.conformance", "", D::ratio_db, 0.0, 6.0,
          "a detector that is so wrong measures nothing"),
    fixed("sensors.*.uncertainty.calibration", "", D::ratio_db, 0.0, 6.0, "a meter that is so wrong measures nothing"),
    fixed("sensors.*.uncertainty.coupling", "", D::ratio_db, 0.0, 6.0, "a coupler so little known couples nothing"),
    fixed("sensors.*.uncertainty.converter", "", D::ratio_db, 0.0, 6.0,
          "a converter that is so wrong measures nothing"),
    fixed("sensors.*.uncertainty.temperature", "", D::ratio_db, 0.0, 6.0, "a drift that large needs 'drift:'"),
    fixed("sensors.*.uncertainty.mismatch", "", D::ratio_db, 0.0, 6.0, "a detector's input isn't so bad"),
};

constexpr std::array amplifier_rows{
    fixed("amplifier.frequency", "", D::frequency, 10e3, 300e9, "no radio amplifier works there"),
    fixed("amplifier.rated_forward", "", D::power, 10 * mw, 100 * kw,
          "no amplifier that needs a guard like this has it"),
    fixed("amplifier.minimum_forward", "", D::power, 0.1 * mw, 50 * kw, "no detector needs so much or tells so little"),
    fixed("amplifier.rf_present", "", D::power, 0.01 * mw, 20 * kw, "no detector needs so much or tells so little"),
    fixed("amplifier.reflected_present", "", D::power, 0.01 * mw, 20 * kw,
          "no detector needs so much or tells so little"),
    fixed("amplifier.maximum_drive", "", D::power, 0.01 * mw, 10 * kw, "no exciter gives it"),
    fixed("amplifier.drive_absent", "", D::power, 1e-9, 1 * kw, "no detector needs so much or tells so little"),
    fixed("amplifier.nominal_supply", "", D::voltage, 1.0, 10 * kw, "no amplifier is supplied with it"),
    fixed("amplifier.maximum_current", "", D::current, 10e-3, 1e3, "no amplifier draws it"),
    fixed("amplifier.directivity", "", D::ratio_db, 10.0, 60.0,
          "below 10 dB a coupler can't tell the two directions apart, and none has more than 60 dB"),
    fixed("amplifier.feeder_loss", "", D::ratio_db, 0.0, 20.0, "behind more a lost antenna can't be seen at all"),
    fixed("amplifier.small_signal_gain", "", D::ratio_db, 1.0, 90.0, "no amplifier has it"),
    fixed("amplifier.gain_drift", "", D::db_per_kelvin, 0.0, 0.2, "usual is -0.02 dB/K", Compared::size),
    fixed("amplifier.gain_reference", "", D::temperature, -40.0, 100.0, "no gain is measured there"),
    fixed("amplifier.one_db_forward", "", D::power, 1 * mw, 200 * kw, "no amplifier has it"),
    fixed("amplifier.main_line_loss", "", D::ratio_db, 0.0, 10.0, "no main line bears so much of the amplifier's heat"),
    RangeRow{"amplifier.release_time", "", D::time, 0.1 * ms, 1.0, 0.1 * ms, patient,
             "relays release within a tenth of a second, and RF that lasts longer is an alarm"},
    RangeRow{"amplifier.hang_time", "", D::time, 10 * ms, minute, 10 * ms, hour,
             "pauses between words last seconds at most"},
    RangeRow{"amplifier.edge_time", "", D::time, 0.1 * ms, 250 * ms, 0.1 * ms, 10.0,
             "RF comes and goes within milliseconds, and readings that contradict each other for longer are a fault"},
    fixed("circulator.load_rating", "", D::power, 10 * mw, 100 * kw, "no load has it"),
    fixed("circulator.load_time", "", D::time, 0.1, 10 * minute, "a load heats within seconds to minutes"),
    fixed("heat.full_fan", "", D::speed, 100.0, 50e3, "no fan turns so"),
    fixed("heat.quiescent_power", "", D::power, 0.0, 100 * kw, "no amplifier draws it at rest"),
    fixed("heat.planned_transmission", "", D::time, 1.0, 30 * day, "no forecast reaches so far"),
};

// None of these decides.
constexpr std::array planning_rows{
    fixed("antenna.gain", "", D::antenna_gain, -40.0, 80.0, "no antenna has it"),
    fixed("antenna.duty", "", D::percent, 0.01, 100.0, "it is a share of the time"),
    fixed("antenna.dish.diameter", "", D::length, 0.01, 500.0, "no dish has it"),
    fixed("antenna.dish.efficiency", "", D::percent, 1.0, 100.0, "it is a share of the dish"),
    fixed("exposure.limit", "", D::power_density, 0.001, 10e3, "no rule has it"),
    fixed("exposure.ground_reflection", "", D::number, core::ground_none, core::ground_perfect,
          "1 is free space, 2.56 usual, 4 a perfect mirror"),
    fixed("plan.wanted_forward", "", D::power, 1 * mw, 100 * kw, "no amplifier gives it"),
    fixed("plan.exciter.lowest", "", D::power, 1e-15, 10 * kw, "no exciter gives it"),
    fixed("plan.exciter.highest", "", D::power, 1e-12, 10 * kw, "no exciter gives it"),
    fixed("plan.parts.gain", "", D::ratio_db, 0.0, 100.0, "no stage has it"),
    fixed("plan.parts.loss", "", D::ratio_db, 0.0, 100.0, "no part has it"),
    fixed("plan.parts.maximum_input", "", D::power, 1e-9, 100 * kw, "no part bears or needs that"),
    fixed("plan.parts.one_db_output", "", D::power, 1e-9, 100 * kw, "no part gives it"),
    fixed("plan.ambient", "", D::temperature, -60.0, 80.0, "no amplifier stands there"),
    fixed("plan.thermal_resistance", "", D::thermal_resistance, 0.001, 50.0, "no heatsink has it"),
    fixed("plan.efficiency", "", D::percent, 1.0, 100.0, "it is a share of the power"),
};

constexpr std::array rule_rows{
    RangeRow{"supervision.contactor_time", "", D::time, 10 * ms, 30.0, 1 * ms, patient,
             "a contactor closes within a tenth of a second, and a supply settles within seconds"},
    RangeRow{"supervision.longest_transmission", "", D::time, 10.0, 2 * day, 1.0, 365 * day,
             "a key that sticks shall be found while it can still be mended"},
    fixed("supervision.transmission_warning", "", D::time, 1.0, day, "a person must have time to act"),
    RangeRow{"plausibility.switching_time", "", D::time, 1 * ms, 2.0, 1 * ms, patient,
             "relays and key edges are over within a second"},
    RangeRow{"plausibility.qualify", "", D::time, 10 * ms, 10.0, 1 * ms, patient,
             "a cable that has come off hides RF for so long"},
    fixed("plausibility.current_with_rf", "", D::current, 1e-3, 1e3, "no amplifier draws it"),
    fixed("plausibility.best_return_loss", "", D::ratio_db, 15.0, 60.0,
          "good antennas reach 25 dB and more, and no coupler tells beyond 60 dB"),
    fixed("plausibility.heating.power", "", D::power, 0.1, 100 * kw, "no amplifier heats so"),
    fixed("plausibility.heating.rise", "", D::temperature_difference, 0.5, 50.0,
          "a sensor's own steps reach some tenths of a kelvin, and a heatsink is too hot before 50 K"),
    RangeRow{"plausibility.heating.time", "", D::time, 5.0, hour, 100 * ms, hour, "a heatsink warms within minutes"},
    fixed("commissioning.time", "", D::time, minute, 2 * hour, "a person must be able to stay beside it"),
    fixed("commissioning.forward", "", D::power, 0.1 * mw, 25 * kw, "no station is commissioned with it"),
    fixed("commissioning.reflected", "", D::power, 0.01 * mw, 25 * kw, "no station is commissioned with it"),
    fixed("commissioning.heatsink", "", D::temperature, 30.0, 100.0,
          "air alone may have 30 degC, and above 100 degC nothing is left for a sensor that is wrong"),
    fixed("proof.every", "", D::time, day, 3660 * day, "usual is some months, such as 90 d"),
    fixed("recorder.before", "", D::time, 10 * ms, minute, "a capture holds a minute at most"),
    fixed("recorder.after", "", D::time, 10 * ms, minute, "a capture holds a minute at most"),
    fixed("recorder.captures", "", D::number, 1, 10'000, "each is a file", Compared::whole),
    fixed("recorder.megabytes", "", D::number, 1, 10'000, "it is what the captures take in all", Compared::whole),
    fixed("mqtt.port", "", D::number, 1, 65'535, "it is a TCP port", Compared::whole),
    fixed("mqtt.fastest", "", D::time, 10 * ms, hour, "a broker is no recorder"),
    fixed("mqtt.slowest", "", D::time, 100 * ms, day, "a value that is never sent again is not known to be current"),
};

constexpr std::array time_rows{
    RangeRow{"limits.*.qualify", fast, D::time, 0.0, 250 * ms, 0.0, 10.0,
             "a lost antenna or too much drive burns a transistor within a second"},
    RangeRow{"limits.*.qualify", "current", D::time, 0.0, 1.0, 0.0, patient,
             "a transistor that draws too much is lost within a second"},
    RangeRow{"limits.*.qualify", "voltage", D::time, 0.0, 5.0, 0.0, patient,
             "a supply sags for tenths of a second at key-up, and one that fails does its harm within seconds"},
    RangeRow{"limits.*.qualify", "heatsink temperature speed", D::time, 0.0, minute, 0.0, 10 * minute,
             "a heatsink without its fan is hot within a minute"},
    RangeRow{"limits.*.qualify", slow_sum, D::time, 0.0, 30.0, 0.0, 10 * minute,
             "heat that is not carried away does its harm within a minute"},
    RangeRow{"limits.*.qualify", "contact", D::time, 0.0, 1.0, 0.0, patient,
             "an interlock is there for a hand that is faster than a second"},
    RangeRow{"limits.*.hold_off", "", D::time, 0.5, hour, 1 * ms, 7 * day,
             "a cause that comes and goes must not permit in between, and hours are longer than any cause needs"},
};

constexpr std::array level_rows{
    RangeRow{"limits.*.above", "heatsink", D::temperature, 40.0, 110.0, -40.0, 150.0,
             "the sun alone heats a sink to 40 degC, and transistors are rated to some 110 degC at their flange"},
    fixed("limits.*.below|clear|warn", "heatsink", D::temperature, -60.0, 150.0, "no heatsink has it"),
    fixed("limits.*.above|below|clear|warn", "temperature", D::temperature, -60.0, 200.0,
          "no part of a station has it"),
    RangeRow{"limits.*.above", "vswr antenna-vswr", D::number, 1.2, 5.0, 1.01, 20.0,
             "good antennas have up to 1.2, and an amplifier bears 5 for a moment only"},
    fixed("limits.*.below|clear|warn", "vswr antenna-vswr", D::number, 1.0, 20.0, "a VSWR is at least 1"),
    RangeRow{"limits.*.above", "reflection", D::number, 0.09, 0.67, 0.01, 0.95,
             "0.09 is a good antenna, a VSWR of 1.2; 0.67 is a VSWR of 5"},
    fixed("limits.*.below|clear|warn", "reflection", D::number, 0.0, 0.95, "it lies between 0 and 1"),
    RangeRow{"limits.*.below", "return-loss", D::ratio_db, 3.5, 21.0, 0.5, 40.0,
             "21 dB is a good antenna, a VSWR of 1.2; 3.5 dB is a VSWR of 5"},
    fixed("limits.*.above|clear|warn", "return-loss", D::ratio_db, 0.0, 60.0, "no coupler tells it"),
    RangeRow{"limits.*.above", "mismatch-loss", D::ratio_db, 0.035, 2.6, 0.001, 10.0,
             "0.035 dB is a good antenna, a VSWR of 1.2; 2.6 dB is a VSWR of 5"},
    fixed("limits.*.below|clear|warn", "mismatch-loss", D::ratio_db, 0.0, 20.0, "no antenna has it"),
    fixed("limits.*.above|below|clear|warn", "power net-power antenna-power dc-power heat circulator-load", D::power,
          1e-9, 200 * kw, "no amplifier has it"),
    fixed("limits.*.above|below|clear|warn", "voltage", D::voltage, 10 * mw, 12 * kw,
          "no amplifier is supplied with it"),
    fixed("limits.*.above|below|clear|warn", "current", D::current, 1e-3, 1.5e3, "no amplifier draws it"),
    fixed("limits.*.above|below|clear|warn", "speed", D::speed, 10.0, 100e3, "no fan turns so"),
    fixed("limits.*.above|below|clear|warn", "contact", D::number, 0.0, 1.0, "open is 0 and closed is 1"),
    fixed("limits.*.above|below|clear|warn", "gain", D::ratio_db, -20.0, 100.0, "no amplifier has it"),
    fixed("limits.*.above|below|clear|warn", "compression", D::ratio_db, 0.05, 10.0,
          "less can't be told from noise, and a compression of 10 dB is none that an amplifier is used with"),
    fixed("limits.*.above|below|clear|warn", "efficiency", D::percent, 0.5, 100.0, "it is a share of the power"),
    fixed("limits.*.above|below|clear|warn", "thermal-resistance", D::thermal_resistance, 0.001, 50.0,
          "no heatsink has it"),
    fixed("limits.*.above|below|clear|warn", "settling-temperature forecast-temperature", D::temperature, -60.0, 200.0,
          "no heatsink has it"),
    fixed("limits.*.above|below|clear|warn", "time-to-limit", D::time, 1.0, day, "no forecast reaches so far"),
    fixed("limits.*.above|below|clear|warn", "back-off", D::ratio_db, 0.05, 40.0, "no back-off has it"),
};

const std::vector<RangeRow>& all_rows() {
    static const std::vector<RangeRow> rows = [] {
        std::vector<RangeRow> all;
        const auto add = [&](const auto& some) { all.insert(all.end(), some.begin(), some.end()); };
        add(guard_rows);
        add(bus_rows);
        add(sensor_rows);
        add(detector_rows);
        add(amplifier_rows);
        add(planning_rows);
        add(rule_rows);
        add(time_rows);
        add(level_rows);
        return all;
    }();
    return rows;
}

/// The part before the first `at`, which is taken off `text`.
std::string_view next_part(std::string_view& text, char at) {
    const std::string_view part = text.substr(0, text.find(at));
    text.remove_prefix(std::min(part.size() + 1, text.size()));
    return part;
}

bool one_of(std::string_view list, char at, std::string_view word) {
    while (!list.empty())
        if (next_part(list, at) == word) return true;
    return false;
}

bool fits(std::string_view pattern, std::string_view path) {
    while (!pattern.empty() && !path.empty()) {
        const std::string_view wanted = next_part(pattern, '.'), part = next_part(path, '.');
        if (wanted != "*" && !one_of(wanted, '|', part.substr(0, part.find('[')))) return false;
    }
    return pattern.empty() && path.empty();
}

}  // namespace

std::span<const RangeRow> range_rows() {
    return all_rows();
}

const RangeRow* range_for(std::string_view path, std::string_view of, Dimension dimension) {
    for (const RangeRow& row : all_rows()) {
        if (row.dimension == dimension && (row.of.empty() || one_of(row.of, ' ', of)) && fits(row.path, path))
            return &row;
    }
    return nullptr;
}

}  // namespace dekeyd::formats
