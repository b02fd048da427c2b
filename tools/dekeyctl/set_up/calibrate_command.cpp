// calibrate: a detector against a reference power meter, level by level, over the daemon's own readings.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "base/connection.hpp"
#include "base/durable_file.hpp"
#include "configuration/calibration.hpp"
#include "configuration/configuration.hpp"
#include "configuration/edit.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/set_up/calibration_level.hpp"
#include "dekeyctl/set_up/calibration_session.hpp"
#include "dekeyctl/set_up/calibration_talk.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/text.hpp"
#include "maths/correction.hpp"
#include "maths/rf.hpp"
#include "plan/number_text.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl {
namespace {

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
             fmt::format("'calibration: {}' is now in {}. 'dekeyctl check {}', and a restart of dekeyd, come next.",
                         file, options.file, options.file));
        return;
    }
    if (pending) tell(options, fmt::format("It could not be named in {}: {}.", options.file, trouble));
    const bool named =
        now.configuration && std::any_of(now.configuration->calibrations.begin(), now.configuration->calibrations.end(),
                                         [&](const auto& one) { return one.file == file; });
    if (named)
        tell(options, fmt::format("It is named in {} already: 'dekeyctl check {}', and a restart of dekeyd, come next.",
                                  options.file, options.file));
    else
        tell(options,
             fmt::format("Add 'calibration: {}' to the sensor '{}', look at 'dekeyctl check {}', and restart dekeyd.",
                         file, options.sensor, options.file));
}

/// Loudly, which trips lie beyond what was compared, and what brings a level up there.
void tell_reach(const CalibrateOptions& options, const core::Plan& plan, const formats::CalibrationFit& fit) {
    core::Plan then = plan;
    for (core::Channel& channel : then.channels) {
        if (channel.id != options.sensor) {
            if (channel.power) channel.power->correction.reset();
            continue;
        }
        std::vector<core::ComparedLevel> levels;
        for (const formats::CalibrationLevel& level : fit.levels)
            levels.push_back({.volts = level.volts, .dbm = level.reference_dbm});
        channel.power->correction =
            core::correction_from(channel.power->detector, levels, channel.power->conformance_db);
        channel.power->coupling_tolerance_db = 0.0;
        channel.power->calibration_db = options.reference_db;
    }
    const auto beyond = formats::beyond_calibration(then);
    for (const formats::BeyondCalibration& one : beyond)
        tell(options, fmt::format("BEYOND THE CALIBRATION: of the limit '{}' {}.", then.limits[one.limit].id,
                                  formats::sentence(then, one)));
    if (beyond.empty()) return;
    for (const std::string& way : formats::how_to_reach(then, beyond.back())) tell(options, "  " + way);
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
            {"refused", fit.refused.empty() ? fit.wanting : fit.refused},
            {"file", file.empty() ? nlohmann::ordered_json(nullptr) : nlohmann::ordered_json(file)}};
}

void tell_levels(const CalibrateOptions& options, const core::PowerChain& chain, const formats::CalibrationFit& fit) {
    if (fit.levels.empty()) return;
    const double shift = chain.coupling_db + chain.pads_db + chain.cable_db + chain.waveform_db;
    tell(options, "     volts     data sheet  reference   off        left     on the line");
    for (std::size_t i = 0; i < fit.levels.size(); ++i) {
        const auto& level = fit.levels[i];
        tell(options, fmt::format("{:>2} {:>8.4f} {:>8.2f} dBm {:>8.2f} dBm {:>+6.2f} dB {:>+6.2f} dB  {}", i + 1,
                                  level.volts, level.indicated_dbm, level.reference_dbm,
                                  level.indicated_dbm - level.reference_dbm, fit.residual_db[i],
                                  formats::show(core::watts_from_dbm(level.reference_dbm + shift), core::Unit::watt)));
    }
}

int write(const CalibrateOptions& options, const core::Plan& plan, const formats::CalibrationFit& fit,
          formats::Calibration calibration) {
    calibration.file = options.sensor + ".calibration.yaml";
    calibration.residual_db = fit.largest_db;
    const std::string path = beside(options, calibration.file);
    if (const std::string trouble = formats::write_durably(path, formats::calibration_text(calibration));
        !trouble.empty()) {
        fmt::print(stderr, "dekeyctl: {}\n", trouble);
        return exit_refused;
    }
    tell(options, fmt::format("Written: {}", path));
    tell_reach(options, plan, fit);
    name_in_configuration(options, calibration.file);
    if (options.json) print_json(to_json(options, fit, path));
    return exit_done;
}

/// "drop 2" for one of so many levels.
std::optional<std::size_t> asks_to_drop(std::string_view words, std::size_t levels) {
    constexpr std::string_view drop = "drop ";
    if (!words.starts_with(drop)) return std::nullopt;
    const auto number = core::to_number<std::size_t>(words.substr(drop.size()));
    return number && *number >= 1 && *number <= levels ? std::optional{*number - 1} : std::nullopt;
}

/// What is to be done, and what it does to the station meanwhile.
void tell_how(const CalibrateOptions& options, const CalibratedSensor& sensor, const core::PowerChain& chain) {
    tell(options, fmt::format("Calibrating '{}' against {} (within {:g} dB at k = 2).", options.sensor,
                              options.reference, options.reference_db));
    tell(options,
         "The reference must show the power on the main line at the coupler, with its own pads and cables counted in.");
    tell(options,
         fmt::format("Take levels at least {:g} dB apart, over {:g} dB or more; four or more, at most 5 dB apart, "
                     "show how wavy the detector is. The nearer a trip to a level, the better it is known.",
                     formats::closest_levels_db, formats::shortest_span_db));
    if (options.pad_db)
        tell(options,
             fmt::format("The pads at the detector are {:g} dB for these levels, where the configuration has {:g} "
                         "dB; dekeyd reads {:g} dB too {} meanwhile. Put them back afterwards.",
                         *options.pad_db, chain.pads_db, std::fabs(chain.pads_db - *options.pad_db),
                         *options.pad_db < chain.pads_db ? "much" : "little"));
    if (sensor.reflected)
        tell(
            options,
            "The reflected detector is calibrated on the coupler's forward port, into a good load, never into a short: "
            "move its cable there. dekeyd will inhibit on what it then sees, so feed the line from a signal source.");
    tell(options, "RF burns. Work on cables with RF off and the amplifier isolated; every limit stays in force.");
}

/// Asks for level after level, until the operator ends it.
void take_levels(const CalibrateOptions& options, const CalibratedSensor& sensor, const core::PowerChain& chain,
                 CalibrationSession& session) {
    bool asked_for_more = false;
    while (true) {
        const auto go =
            hear(options, fmt::format("Level {}: set a power, let it settle, and press Enter ('done' to end, "
                                      "'drop 2' to leave level 2 out):",
                                      session.points().size() + 1));
        if (!go) return;
        if (*go == "done") {
            const formats::CalibrationFit fit = session.fit(chain);
            if (fit.good() || asked_for_more) return;
            tell_levels(options, chain, fit);
            tell(options, fmt::format("Not yet: {}. Enter 'done' again to end without a calibration.",
                                      fit.refused.empty() ? fit.wanting : fit.refused));
            asked_for_more = true;
            continue;
        }
        asked_for_more = false;
        if (const auto index = asks_to_drop(*go, session.points().size())) {
            if (!session.drop(*index)) return;
            tell_levels(options, chain, session.fit(chain));
            continue;
        }
        if (!go->empty()) {
            tell(options, "  Expected Enter, 'done', or 'drop' with the number of a level.");
            continue;
        }
        if (!take_level(options, sensor, session)) return;
    }
}

int refuse(const CalibrateOptions& options, const formats::CalibrationFit& fit, const CalibrationSession& session) {
    tell(options,
         fmt::format(
             "Refused: {}. No calibration was written{}.", fit.refused.empty() ? fit.wanting : fit.refused,
             session.points().empty() ? std::string{} : fmt::format("; the levels are kept in {}", session.path())));
    if (options.json) print_json(to_json(options, fit, {}));
    return exit_refused;
}

/// Whether the daemon is the file's, and by which law it works out this power. None: refused, with the complaint told.
std::optional<core::PowerChain> law_of_daemon(const CalibrateOptions& options, const formats::Configuration& file,
                                              const core::PowerChain& chain) {
    const Message first = read_message(ask(options.socket, R"({"ask":"status"})"));
    if (!first.status || first.status->id != file.id) {
        fmt::print(stderr, "dekeyctl: the daemon at {} isn't '{}', which {} describes\n", printable(options.socket),
                   printable(file.id), printable(options.file));
        return std::nullopt;
    }
    const auto law = law_of(options.sensor, *first.status, chain);
    if (!law)
        fmt::print(stderr,
                   "dekeyctl: dekeyd runs with another '{}' than {} has now, so its readings can't be turned back into "
                   "volts: restart dekeyd first\n",
                   printable(options.sensor), printable(options.file));
    return law;
}

}  // namespace

int run_calibrate(const CalibrateOptions& options) {
    const formats::Loaded loaded = formats::load_configuration_file(options.file);
    if (!loaded.configuration) {
        fmt::print(stderr, "{0}: {1} faults; 'dekeyctl check {0}' shows them\n", printable(options.file),
                   loaded.faults.size());
        return exit_refused;
    }
    auto sensor = calibrated_sensor(loaded.configuration->plan, options.sensor);
    if (!sensor) {
        fmt::print(stderr, "dekeyctl: '{}' is no sensor of a power in {}\n", printable(options.sensor),
                   printable(options.file));
        return exit_refused;
    }
    const core::PowerChain chain = sensor->chain;
    const auto law = law_of_daemon(options, *loaded.configuration, chain);
    if (!law) return exit_refused;
    sensor->chain = *law;
    tell_how(options, *sensor, chain);
    CalibrationSession session{options};
    if (!session.resume()) return exit_refused;
    tell_levels(options, chain, session.fit(chain));
    take_levels(options, *sensor, chain, session);
    const formats::CalibrationFit fit = session.fit(chain);
    tell(options, "");
    tell_levels(options, chain, fit);
    if (!fit.good()) return refuse(options, fit, session);
    return write(options, loaded.configuration->plan, fit, session.calibration());
}

}  // namespace dekeyd::ctl
