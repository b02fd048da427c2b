#include "bench/stations.hpp"

#include <fmt/format.h>

#include <stdexcept>
#include <vector>

namespace bench {
namespace {

// 28 V, three log detectors, no supply monitor and no fan that turns a counter. What comes back ends in a circulator's
// load before the coupler, which the numbers here show in nothing.
Station uplink() {
    Station station{"uplink", "30 W at 3.4 GHz with a circulator and a dish", 0.35, {}, {false, 0}};
    Parameters& p = station.parameters;
    p.small_signal_gain_db = 20.0;
    p.saturated_w = 42.0;
    p.housekeeping_a = 0.25;
    p.quiescent_a = 0.9;
    p.peak_efficiency = 0.45;
    p.feeder_loss_db = 0.4;
    p.forward.coupling_db = p.reflected.coupling_db = 30.0;
    p.forward.pad_db = p.reflected.pad_db = 13.0;
    p.drive.coupling_db = 20.0;
    p.drive.pad_db = 10.0;
    p.heat.sink_j_per_k = 900.0;
    p.rf_gone_w = 0.03;
    return station;
}

// 12 V, a diode with its amplifier on the forward port and one on the drive; nothing sees what comes back.
Station beacon() {
    Station station{"beacon", "5 W at 10 GHz with a diode detector", 0.06, {}, {false, 0}};
    Parameters& p = station.parameters;
    p.small_signal_gain_db = 19.5;
    p.saturated_w = 6.5;
    p.nominal_v = 12.0;
    p.housekeeping_a = 0.2;
    p.quiescent_a = 0.8;
    p.peak_efficiency = 0.30;
    p.sag_ohm = 0.05;
    p.forward.coupling_db = 30.0;
    p.drive.coupling_db = 10.0;
    for (Arm* const arm : {&p.forward, &p.drive}) {
        arm->pad_db = 10.0;
        arm->cable_db = 0.0;
        arm->square_law_v_per_w = 500.0;
        arm->detector.noise_v = 0.00004;
    }
    p.heat.sink_j_per_k = 400.0;
    p.rf_gone_w = 0.01;
    return station;
}

// 50 V, three log detectors, a supply monitor, two fans on one chip.
Station hill() {
    Station station{"hill", "300 W at 432 MHz with a supply monitor and two fans", 3.0, {}, {true, 2}};
    Parameters& p = station.parameters;
    p.small_signal_gain_db = 20.0;
    p.saturated_w = 400.0;
    p.nominal_v = 50.0;
    p.peak_efficiency = 0.65;
    p.feeder_loss_db = 0.5;
    p.forward.coupling_db = p.reflected.coupling_db = 50.0;
    p.forward.pad_db = p.reflected.pad_db = 3.0;
    p.heat.sink_j_per_k = 3000.0;
    p.heat.sink_to_air_blown_k_per_w = 0.12;
    return station;
}

std::vector<Station> all_stations() {
    return {demo_station(), uplink(), beacon(), hill()};
}

}  // namespace

Station demo_station() {
    return {.name = "demo", .words = "120 W at 1.26 GHz"};
}

Station station_called(std::string_view name) {
    for (const Station& station : all_stations())
        if (station.name == name) return station;
    throw std::runtime_error(fmt::format("--station {}: expected one of {}", name, station_names()));
}

std::string station_names() {
    std::string names;
    for (const Station& station : all_stations())
        names += fmt::format("{}{} ({})", names.empty() ? "" : ", ", station.name, station.words);
    return names;
}

}  // namespace bench
