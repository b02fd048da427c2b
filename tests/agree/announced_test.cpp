// A quantity is announced where it can become known, and only there: every choice of sensors, played.
#include <set>

#include "station.hpp"
#include "telemetry/published/homie.hpp"

namespace {

using namespace agree;

struct Choice {
    bool reflected, drive, supply, heatsink, gain, feeder, level;
};

/// A station with that choice of sensors and figures; forward is always measured.
formats::Configuration built(const Choice& choice) {
    const auto power = [](const char* id, int channel) {
        return "  " + std::string{id} + ":\n    bus: adc\n    address: voltage" + std::to_string(channel) +
               "\n    measures: power\n    role: " + id +
               "\n    allowed_age: 5 s\n    valid: 0.2 V .. 2.2 V\n    detector: {slope: -24.4 mV/dB, intercept: 19.6 "
               "dBm, floor: -50 dBm, ceiling: 5 dBm}\n    coupling: " +
               (std::string{id} == "drive" ? "30" : "50") + " dB\n";
    };
    std::string text =
        "dekeyd: 1\ndevice: {id: a, name: A}\nguard: {period: 20 ms, deadline: 20 s}\nline: {driver: file, path: "
        "/tmp/l}\n"
        "buses:\n  adc: {driver: iio, device: ads1015, period: 20 ms}\n"
        "  psu: {driver: hwmon, device: ltc4151, period: 100 ms}\nsensors:\n" +
        power("forward", 0) + (choice.reflected ? power("reflected", 1) : "") + (choice.drive ? power("drive", 2) : "");
    text += "  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 5 s}\n";
    if (choice.supply)
        text += "  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 5 s}\n";
    if (choice.heatsink)
        text += "  heatsink: {bus: psu, address: temp1, measures: temperature, role: heatsink, allowed_age: 5 s}\n";
    text += "amplifier:\n  rated_forward: 120 W\n  minimum_forward: 6 W\n  rf_present: 1 W\n  directivity: 30 dB\n";
    if (choice.drive) text += "  maximum_drive: 2.5 W\n  drive_absent: 50 mW\n";
    if (choice.feeder) text += "  feeder_loss: 0.8 dB\n";
    if (choice.gain) text += "  small_signal_gain: 18 dB\n";
    if (choice.reflected)
        text +=
            "main_line: [amplifier, circulator, coupler, feeder, antenna]\n"
            "circulator: {load_rating: 60 W, load_time: 20 s}\n";
    text += "limits:\n  supply: {watch: supply, above: 31 V, clear: 29 V, qualify: 20 ms, hold_off: 1 s}\n";
    if (choice.level) {
        text += "  forward: {watch: forward, above: 125 W, clear: rf off, qualify: 10 ms, hold_off: 1 s}\n";
        if (choice.heatsink)
            text += "  heatsink: {watch: heatsink, above: 90 degC, clear: 55 degC, qualify: 1 s, hold_off: 1 s}\n";
    }
    return loaded(text);
}

/// The quantities that were good at any time while a keyed amplifier warmed up.
std::set<std::string> known(const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    Station station{configuration};
    std::set<std::string> good;
    double heatsink_c = 25.0;
    for (int second = 0; second < 900; ++second) {
        const bool rf = second > 20;
        heatsink_c += ((rf ? 65.0 : 25.0) - heatsink_c) / 150.0;
        station.values = {{"forward", rf ? 80.0 : 0.001}, {"reflected", rf ? 1.0 : 0.0001},
                          {"drive", rf ? 1.4 : 0.001},    {"supply", 28.0},
                          {"current", rf ? 6.4 : 1.5},    {"heatsink", heatsink_c}};
        station.step({}, 1s);
        for (std::size_t i = plan.channels.size(); i < plan.quantity_count(); ++i)
            if (station.snapshot().quantities[i].health == core::Health::good)
                good.insert(std::string{core::describe(plan, static_cast<core::QuantityIndex>(i)).id});
    }
    return good;
}

}  // namespace

TEST_CASE("announced <=> computed, for every choice of sensors") {
    for (unsigned bits = 0; bits < 128; ++bits) {
        const auto one = [&](unsigned at) { return (bits >> at & 1U) != 0U; };
        const Choice choice{.reflected = one(0),
                            .drive = one(1),
                            .supply = one(2),
                            .heatsink = one(3),
                            .gain = one(4),
                            .feeder = one(5),
                            .level = one(6)};
        const formats::Configuration configuration = built(choice);
        const core::Plan& plan = configuration.plan;
        const homie::Device device{configuration};
        const std::set<std::string> computed = known(configuration);
        for (std::size_t i = plan.channels.size(); i < plan.quantity_count(); ++i) {
            const auto index = static_cast<core::QuantityIndex>(i);
            const std::string id{core::describe(plan, index).id};
            CAPTURE(bits);
            CAPTURE(id);
            const bool announced = device.find("homie/5/a/measurements/" + id) != nullptr;
            CHECK(announced == computed.contains(id));
            CHECK(announced == core::can_be_known(plan, index));
            CHECK(announced == (device.find("homie/5/a/quality/" + id) != nullptr));
        }
        const bool advises = computed.contains("back-off") || computed.contains("settling-temperature");
        CHECK((device.find("homie/5/a/permit/advice") != nullptr) == advises);
    }
}
