// calibrate: a detector against a reference power meter, level by level, over the daemon's own readings.
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <ctime>
#include <iostream>
#include <thread>

#include "core/rf.hpp"
#include "dekeyctl/client.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "formats/calibration.hpp"
#include "formats/configuration.hpp"
#include "formats/configuration_edit.hpp"
#include "formats/durable_file.hpp"
#include "formats/units.hpp"

namespace dekeyd::ctl {
namespace {

using namespace std::chrono_literals;

std::FILE* out_of(const CalibrateOptions& options) {
    return options.json ? stderr : stdout;
}

void tell(const CalibrateOptions& options, const std::string& text) {
    say(out_of(options), text);
}

std::optional<std::string> hear(const CalibrateOptions& options, const std::string& question) {
    fmt::print(out_of(options), "{} ", question);
    std::fflush(out_of(options));
    std::string line;
    if (!std::getline(std::cin, line)) return std::nullopt;
    while (!line.empty() && (line.back() == ' ' || line.back() == '\r')) line.pop_back();
    return line;
}

const Quantity* find(const Status& status, const std::string& id) {
    for (const Quantity& quantity : status.quantities)
        if (quantity.id == id) return &quantity;
    return nullptr;
}

struct Sensor {
    std::string id;
    const core::PowerChain* chain = nullptr;
    std::string drift_sensor;    ///< id; empty: none
    std::string temperature_of;  ///< id of what stands for the detector's temperature in the file
};

/// dBm at the detector by its present law, out of what the daemon shows on the line; and what the law was told to add.
std::optional<double> at_detector(const Sensor& sensor, const Status& status, std::string& why) {
    const Quantity* quantity = find(status, sensor.id);
    if (quantity == nullptr || !quantity->value || quantity->health != "good" || !(*quantity->value > 0.0)) {
        why = quantity == nullptr
                  ? "the daemon has no such sensor"
                  : fmt::format("no power to compare: {}", quantity->health.empty() ? "no reading" : quantity->health);
        return std::nullopt;
    }
    const core::PowerChain& chain = *sensor.chain;
    double drift_db = 0.0;
    if (!sensor.drift_sensor.empty()) {
        const Quantity* temperature = find(status, sensor.drift_sensor);
        if (temperature != nullptr && temperature->value)
            drift_db = chain.temperature_db_per_k * (*temperature->value - chain.temperature_reference_c);
    }
    return core::dbm_from_watts(*quantity->value) - chain.coupling_db - chain.pads_db - chain.cable_db -
           chain.waveform_db - drift_db;
}

std::optional<formats::LevelAverage> average(const CalibrateOptions& options, const Sensor& sensor,
                                             std::optional<double>& temperature_c) {
    formats::LevelAverage level;
    constexpr std::size_t most = 400;
    std::FILE* const out = out_of(options);
    const bool terminal = ::isatty(::fileno(out)) != 0;
    while (!level.settled() && level.readings() < most) {
        const Message message = read_message(ask(options.socket, R"({"ask":"status"})"));
        if (!message.status) throw Unreachable{options.socket + ": the answer holds no status"};
        std::string why;
        const auto dbm = at_detector(sensor, *message.status, why);
        if (!dbm) {
            tell(options, "  " + why);
            return std::nullopt;
        }
        level.add(*dbm);
        if (const Quantity* quantity = find(*message.status, sensor.temperature_of); quantity != nullptr)
            temperature_c = quantity->value;
        if (!level.steady()) {
            tell(options,
                 fmt::format("  Not steady: it moved by {:.2f} dB. Let the power settle and take the level again.",
                             level.spread_db()));
            return std::nullopt;
        }
        if (terminal && level.readings() % 5 == 0) {
            fmt::print(out, "\r  {:>3} readings, {:.2f} dBm at the detector, mean within {:.3f} dB ", level.readings(),
                       level.mean_dbm(), level.doubt_db());
            std::fflush(out);
        }
        std::this_thread::sleep_for(options.between);
    }
    tell(options, fmt::format("{}  {} readings, {:.2f} dBm at the detector, mean within {:.3f} dB",
                              terminal ? "\r" : "", level.readings(), level.mean_dbm(), level.doubt_db()));
    if (level.settled()) return level;
    tell(options, "  The mean doesn't settle: too much noise for a calibration.");
    return std::nullopt;
}

std::string utc_now() {
    const std::time_t now = std::time(nullptr);
    std::tm broken{};
    ::gmtime_r(&now, &broken);
    return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z", broken.tm_year + 1900, broken.tm_mon + 1, broken.tm_mday,
                       broken.tm_hour, broken.tm_min, broken.tm_sec);
}

std::string plain(std::string text) {
    for (char& c : text)
        if (c == '"' || c == '\\' || static_cast<unsigned char>(c) < 0x20) c = ' ';
    return clip(printable(text), 100);
}

/// `calibration: pending` becomes the file's name; anything else is left to the operator.
void name_in_configuration(const CalibrateOptions& options, const std::string& file) {
    const formats::Loaded now = formats::load_configuration_file(options.file);
    const auto waits = [&](const core::Channel& channel) {
        return channel.id == options.sensor && channel.power && channel.power->calibration_pending;
    };
    const bool pending = now.configuration && std::any_of(now.configuration->plan.channels.begin(),
                                                          now.configuration->plan.channels.end(), waits);
    const std::string trouble =
        pending ? formats::set_sensor_value(options.file, now.configuration->text, options.sensor, "calibration", file)
                : std::string{};
    if (pending && trouble.empty()) {
        tell(options,
             fmt::format("'calibration: {}' is now in {}. Below its lowest level the sensor will say 'no power'. "
                         "'dekeyctl check {}', and a restart of dekeyd, come next.",
                         file, options.file, options.file));
        return;
    }
    if (pending) tell(options, fmt::format("It could not be named in {}: {}.", options.file, trouble));
    tell(
        options,
        fmt::format("Below its lowest level the sensor then says 'no power'. Add 'calibration: {}' to the sensor '{}', "
                    "look at 'dekeyctl check {}', and restart dekeyd.",
                    file, options.sensor, options.file));
}

/// What was compared, and the file that was written; none where the set was refused.
nlohmann::ordered_json to_json(const CalibrateOptions& options, const formats::CalibrationFit& fit,
                               const std::string& file) {
    nlohmann::ordered_json levels = nlohmann::ordered_json::array();
    for (std::size_t i = 0; i < fit.levels.size(); ++i) {
        const formats::CalibrationLevel& level = fit.levels[i];
        const bool fitted = i < fit.residual_db.size();
        levels.push_back({{"volts", level.volts},
                          {"shown_dbm", level.indicated_dbm},
                          {"reference_dbm", level.reference_dbm},
                          {"off_db", level.indicated_dbm - level.reference_dbm},
                          {"left_db", number_or_null(fitted ? std::optional{fit.residual_db[i]} : std::nullopt)}});
    }
    return {{"sensor", options.sensor},
            {"reference", options.reference},
            {"reference_db", options.reference_db},
            {"levels", std::move(levels)},
            {"largest_left_db", fit.largest_db},
            {"refused", fit.refused},
            {"file", file.empty() ? nlohmann::ordered_json(nullptr) : nlohmann::ordered_json(file)}};
}

int write(const CalibrateOptions& options, const formats::CalibrationFit& fit, std::optional<double> temperature_c) {
    formats::Calibration calibration;
    calibration.sensor = options.sensor;
    calibration.file = options.sensor + ".calibration.yaml";
    calibration.date = utc_now();
    calibration.reference = plain(options.reference);
    calibration.reference_db = options.reference_db;
    calibration.residual_db = fit.levels.size() > 2 ? fit.largest_db : formats::unseen_bend_db;
    calibration.temperature_c = temperature_c;
    for (const auto& level : fit.levels) calibration.points.push_back({level.volts, level.reference_dbm});
    const std::size_t slash = options.file.rfind('/');
    const std::string path =
        slash == std::string::npos ? calibration.file : options.file.substr(0, slash + 1) + calibration.file;
    if (const std::string trouble = formats::write_durably(path, formats::calibration_text(calibration));
        !trouble.empty()) {
        fmt::print(stderr, "dekeyctl: {}\n", trouble);
        return exit_refused;
    }
    tell(options, fmt::format("Written: {}", path));
    name_in_configuration(options, calibration.file);
    if (options.json) print_json(to_json(options, fit, path));
    return exit_done;
}

}  // namespace

int run_calibrate(const CalibrateOptions& options) {
    const formats::Loaded loaded = formats::load_configuration_file(options.file);
    if (!loaded.configuration) {
        fmt::print(stderr, "{0}: {1} faults; 'dekeyctl check {0}' shows them\n", printable(options.file),
                   loaded.faults.size());
        return exit_refused;
    }
    const core::Plan& plan = loaded.configuration->plan;
    Sensor sensor{options.sensor, nullptr, {}, {}};
    bool reflected = false;
    double present_w = plan.rf.rf_present_w;
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        const core::Channel& channel = plan.channels[i];
        if (channel.id != options.sensor || !channel.power) continue;
        sensor.chain = &*channel.power;
        reflected = plan.roles.reflected == i;
        if (plan.roles.drive == i) present_w = plan.rf.drive_absent_w;
        if (channel.power->temperature_channel)
            sensor.drift_sensor = plan.channels[*channel.power->temperature_channel].id;
    }
    if (sensor.chain == nullptr) {
        fmt::print(stderr, "dekeyctl: '{}' is no sensor of a power in {}\n", printable(options.sensor),
                   printable(options.file));
        return exit_refused;
    }
    sensor.temperature_of = !sensor.drift_sensor.empty() ? sensor.drift_sensor
                            : plan.roles.ambient         ? plan.channels[*plan.roles.ambient].id
                                                         : std::string{};
    const Message first = read_message(ask(options.socket, R"({"ask":"status"})"));
    if (!first.status || first.status->id != loaded.configuration->id) {
        fmt::print(stderr, "dekeyctl: the daemon at {} isn't '{}', which {} describes\n", printable(options.socket),
                   printable(loaded.configuration->id), printable(options.file));
        return exit_refused;
    }
    tell(options, fmt::format("Calibrating '{}' against {} (within {:g} dB at k = 2).", options.sensor,
                              options.reference, options.reference_db));
    tell(options,
         "The reference must show the power on the main line at the coupler, with its own pads and cables counted in.");
    tell(options, fmt::format("Take levels at least {:g} dB apart, over {:g} dB or more, the lowest below {}.",
                              formats::closest_levels_db, formats::shortest_span_db,
                              formats::show(present_w > 0.0 ? present_w : 1.0, core::Unit::watt)));
    if (reflected)
        tell(
            options,
            "The reflected detector is calibrated on the coupler's forward port, into a good load, never into a short: "
            "move its cable there. dekeyd will inhibit on what it then sees, so feed the line from a signal source.");
    tell(options, "RF burns. Work on cables with RF off and the amplifier isolated; every limit stays in force.");
    std::vector<formats::CalibrationLevel> levels;
    std::optional<double> temperature_c;
    while (true) {
        const auto go = hear(
            options,
            fmt::format("Level {}: set a power, let it settle, and press Enter ('done' to end):", levels.size() + 1));
        if (!go || *go == "done") break;
        const auto level = average(options, sensor, temperature_c);
        if (!level) continue;
        const auto given = hear(options, "  The reference shows (such as 94.2 W or 49.7 dBm):");
        if (!given) break;
        const formats::Quantity watts = formats::parse_quantity(*given, formats::Dimension::power);
        if (!watts.good() || !(watts.value > 0.0)) {
            tell(options,
                 fmt::format("  {}; expected {}. The level is dropped.", watts.good() ? "no power" : watts.what,
                             watts.good() ? "a power above zero" : watts.expected));
            continue;
        }
        const core::PowerChain& chain = *sensor.chain;
        levels.push_back({.volts = core::detector_volts(chain.detector, level->mean_dbm()),
                          .indicated_dbm = level->mean_dbm(),
                          .reference_dbm = core::dbm_from_watts(watts.value) - chain.coupling_db - chain.pads_db -
                                           chain.cable_db - chain.waveform_db});
    }
    formats::CalibrationFit fit = formats::fit_calibration(levels);
    if (fit.refused.empty()) {
        // Its lowest level becomes the floor, and "no power" must stay below what counts as power.
        const core::PowerChain& chain = *sensor.chain;
        const double lowest_w = core::watts_from_dbm(fit.levels.front().reference_dbm + chain.coupling_db +
                                                     chain.pads_db + chain.cable_db + chain.waveform_db);
        if (present_w > 0.0 && lowest_w >= present_w)
            fit.refused = fmt::format(
                "the lowest level, {}, is not below the {} from which it counts as power: below "
                "the table is the floor, so take a lower level too",
                formats::show(lowest_w, core::Unit::watt), formats::show(present_w, core::Unit::watt));
    }
    if (!fit.residual_db.empty()) {
        tell(options, "");
        tell(options, "     volts     shown       reference   off        left");
        for (std::size_t i = 0; i < fit.levels.size(); ++i) {
            const auto& level = fit.levels[i];
            tell(options, fmt::format("{:>2} {:>8.4f} {:>8.2f} dBm {:>8.2f} dBm {:>+6.2f} dB {:>+6.2f} dB", i + 1,
                                      level.volts, level.indicated_dbm, level.reference_dbm,
                                      level.indicated_dbm - level.reference_dbm, fit.residual_db[i]));
        }
    }
    if (!fit.refused.empty()) {
        tell(options, "Refused: " + fit.refused + ". Nothing was written.");
        if (options.json) print_json(to_json(options, fit, {}));
        return exit_refused;
    }
    return write(options, fit, temperature_c);
}

}  // namespace dekeyd::ctl
