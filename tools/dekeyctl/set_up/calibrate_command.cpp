// calibrate: a detector against a reference power meter, level by level, over the daemon's own readings.
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <ctime>
#include <iostream>
#include <thread>

#include "base/connection.hpp"
#include "base/durable_file.hpp"
#include "configuration/calibration.hpp"
#include "configuration/configuration.hpp"
#include "configuration/edit.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "maths/correction.hpp"
#include "maths/rf.hpp"
#include "plan/number_text.hpp"
#include "words/units.hpp"

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

/// Why RF may be gone: ", and dekeyd inhibits: ..."; empty while it permits.
std::string inhibited(const Status& status) {
    return status.permit ? std::string{} : fmt::format("; dekeyd inhibits: {}", status.reason);
}

/// dBm at the detector by its present law, out of what the daemon shows on the line; and what the law was told to add.
std::optional<double> at_detector(const Sensor& sensor, const Status& status, std::string& why) {
    const Quantity* quantity = find(status, sensor.id);
    if (quantity == nullptr || !quantity->value || quantity->health != "good" || !(*quantity->value > 0.0)) {
        why = quantity == nullptr
                  ? "the daemon has no such sensor"
                  : fmt::format("no power to compare: {}", quantity->health.empty() ? "no reading" : quantity->health);
        why += inhibited(status);
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
                 fmt::format("  Not steady: it moved by {:.2f} dB{}. Let the power settle and take the level again.",
                             level.spread_db(), inhibited(*message.status)));
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

std::string beside(const CalibrateOptions& options, const std::string& name) {
    const std::size_t slash = options.file.rfind('/');
    return slash == std::string::npos ? name : options.file.substr(0, slash + 1) + name;
}

/// The levels of this and earlier sessions, on the disk as soon as each is taken.
class Session {
public:
    explicit Session(const CalibrateOptions& options)
        : options_{options}, path_{beside(options, options.sensor + ".calibration.session.yaml")} {}

    /// Of the session file, else of the calibration. False, with a complaint, where a file is there and damaged.
    bool resume() {
        if (options_.anew) return true;
        for (const std::string& path : {path_, beside(options_, options_.sensor + ".calibration.yaml")}) {
            constexpr std::size_t most = 64UL * 1024;
            const formats::FileBytes found = formats::read_whole(path, most);
            if (found.error == ENOENT) continue;
            formats::CalibrationText read = formats::read_calibration_text(found.bytes);
            if (!found.ok() || !read.faults.empty() || read.calibration.sensor != options_.sensor) {
                fmt::print(stderr, "dekeyctl: {}: {}; '--new' begins without the levels in it\n", printable(path),
                           !found.ok() ? "can't be read"
                           : read.faults.empty()
                               ? "levels of another sensor"
                               : fmt::format("line {}: {}", read.faults[0].line, read.faults[0].what));
                return false;
            }
            kept_ = std::move(read.calibration);
            tell(options_,
                 fmt::format("{} level{} of {} {} kept; '--new' begins without.", kept_.points.size(),
                             kept_.points.size() == 1 ? "" : "s", path, kept_.points.size() == 1 ? "is" : "are"));
            return true;
        }
        return true;
    }
    /// A level near an older one takes its place.
    bool keep(const formats::CalibrationPoint& point, std::optional<double> temperature_c) {
        const auto near = std::remove_if(kept_.points.begin(), kept_.points.end(), [&](const auto& old) {
            return std::fabs(old.dbm - point.dbm) < formats::closest_levels_db;
        });
        if (near != kept_.points.end())
            tell(options_,
                 fmt::format("  It takes the place of a level less than {:g} dB away.", formats::closest_levels_db));
        kept_.points.erase(near, kept_.points.end());
        kept_.points.push_back(point);
        if (temperature_c) kept_.temperature_c = temperature_c;
        return save();
    }
    bool drop(std::size_t index) {
        kept_.points.erase(kept_.points.begin() + static_cast<std::ptrdiff_t>(index));
        return save();
    }
    [[nodiscard]] formats::CalibrationFit fit(const core::PowerChain& chain) const {
        std::vector<formats::CalibrationLevel> levels;
        for (const formats::CalibrationPoint& point : kept_.points)
            levels.push_back({.volts = point.volts,
                              .indicated_dbm = core::detector_dbm(chain.detector, point.volts),
                              .reference_dbm = point.dbm});
        return formats::fit_calibration(std::move(levels), chain.conformance_db);
    }
    [[nodiscard]] formats::Calibration calibration() const { return described(); }
    [[nodiscard]] const std::vector<formats::CalibrationPoint>& points() const { return kept_.points; }
    [[nodiscard]] const std::string& path() const { return path_; }

private:
    [[nodiscard]] formats::Calibration described() const {
        formats::Calibration all = kept_;
        all.sensor = options_.sensor;
        all.date = utc_now();
        const std::string now = plain(options_.reference);
        if (all.reference.empty())
            all.reference = now;
        else if (all.reference.find(now) == std::string::npos)
            all.reference = plain(all.reference + ", " + now);
        all.reference_db = std::max(kept_.reference_db, options_.reference_db);
        return all;
    }
    bool save() {
        std::sort(kept_.points.begin(), kept_.points.end(), [](const auto& a, const auto& b) { return a.dbm < b.dbm; });
        if (kept_.points.empty()) return true;
        const std::string trouble = formats::write_durably(path_, formats::session_text(described()));
        if (!trouble.empty()) fmt::print(stderr, "dekeyctl: the level is not kept: {}\n", trouble);
        return trouble.empty();
    }

    const CalibrateOptions& options_;
    std::string path_;
    formats::Calibration kept_;
};

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

/// What the daemon's readings must be turned back by: its own law, which may be that of before a calibration.
const core::PowerChain* law_of(const CalibrateOptions& options, const Status& status, const core::PowerChain& chain,
                               core::PowerChain& uncorrected) {
    uncorrected = chain;
    uncorrected.correction.reset();
    const auto found = status.laws.find(options.sensor);
    if (found == status.laws.end() || found->second == formats::chain_id(chain)) return &chain;
    return found->second == formats::chain_id(uncorrected) ? &uncorrected : nullptr;
}

/// One level, asked for, measured and kept; false where the operator's input is at its end.
bool take_level(const CalibrateOptions& options, const Sensor& sensor, Session& session) {
    std::optional<double> temperature_c;
    const auto level = average(options, sensor, temperature_c);
    if (!level) return true;
    const auto given = hear(options, "  The reference shows (such as 94.2 W or 49.7 dBm):");
    if (!given) return false;
    const formats::Quantity watts = formats::parse_quantity(*given, formats::Dimension::power);
    if (!watts.good() || !(watts.value > 0.0)) {
        tell(options, fmt::format("  {}; expected {}. The level is dropped.", watts.good() ? "no power" : watts.what,
                                  watts.good() ? "a power above zero" : watts.expected));
        return true;
    }
    const core::PowerChain& chain = *sensor.chain;
    const double pads_db = options.pad_db.value_or(chain.pads_db);
    constexpr double own_doubt_db = 0.05, other_pads_doubt_db = 0.3;
    return session.keep(
        {.volts = core::chain_volts(chain, level->mean_dbm()),
         .dbm = core::dbm_from_watts(watts.value) - chain.coupling_db - pads_db - chain.cable_db - chain.waveform_db,
         .doubt_db = options.pad_db ? other_pads_doubt_db : own_doubt_db,
         .taken = utc_now()},
        temperature_c);
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
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        const core::Channel& channel = plan.channels[i];
        if (channel.id != options.sensor || !channel.power) continue;
        sensor.chain = &*channel.power;
        reflected = plan.roles.reflected == i;
        if (channel.power->temperature_channel)
            sensor.drift_sensor = plan.channels[*channel.power->temperature_channel].id;
    }
    if (sensor.chain == nullptr) {
        fmt::print(stderr, "dekeyctl: '{}' is no sensor of a power in {}\n", printable(options.sensor),
                   printable(options.file));
        return exit_refused;
    }
    const core::PowerChain& chain = *sensor.chain;
    sensor.temperature_of = !sensor.drift_sensor.empty() ? sensor.drift_sensor
                            : plan.roles.ambient         ? plan.channels[*plan.roles.ambient].id
                                                         : std::string{};
    const Message first = read_message(ask(options.socket, R"({"ask":"status"})"));
    if (!first.status || first.status->id != loaded.configuration->id) {
        fmt::print(stderr, "dekeyctl: the daemon at {} isn't '{}', which {} describes\n", printable(options.socket),
                   printable(loaded.configuration->id), printable(options.file));
        return exit_refused;
    }
    core::PowerChain uncorrected;
    sensor.chain = law_of(options, *first.status, chain, uncorrected);
    if (sensor.chain == nullptr) {
        fmt::print(stderr,
                   "dekeyctl: dekeyd runs with another '{}' than {} has now, so its readings can't be turned back into "
                   "volts: restart dekeyd first\n",
                   printable(options.sensor), printable(options.file));
        return exit_refused;
    }
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
    if (reflected)
        tell(
            options,
            "The reflected detector is calibrated on the coupler's forward port, into a good load, never into a short: "
            "move its cable there. dekeyd will inhibit on what it then sees, so feed the line from a signal source.");
    tell(options, "RF burns. Work on cables with RF off and the amplifier isolated; every limit stays in force.");
    Session session{options};
    if (!session.resume()) return exit_refused;
    tell_levels(options, chain, session.fit(chain));
    bool asked_for_more = false;
    while (true) {
        const auto go =
            hear(options, fmt::format("Level {}: set a power, let it settle, and press Enter ('done' to end, "
                                      "'drop 2' to leave level 2 out):",
                                      session.points().size() + 1));
        if (!go) break;
        if (*go == "done") {
            const formats::CalibrationFit fit = session.fit(chain);
            if (fit.good() || asked_for_more) break;
            tell_levels(options, chain, fit);
            tell(options, fmt::format("Not yet: {}. 'done' once more leaves it so.",
                                      fit.refused.empty() ? fit.wanting : fit.refused));
            asked_for_more = true;
            continue;
        }
        asked_for_more = false;
        if (const auto index = asks_to_drop(*go, session.points().size())) {
            if (!session.drop(*index)) break;
            tell_levels(options, chain, session.fit(chain));
            continue;
        }
        if (!go->empty()) {
            tell(options, "  Expected Enter, 'done', or 'drop' with the number of a level.");
            continue;
        }
        if (!take_level(options, sensor, session)) break;
    }
    const formats::CalibrationFit fit = session.fit(chain);
    tell(options, "");
    tell_levels(options, chain, fit);
    if (!fit.good()) {
        tell(options,
             fmt::format("Refused: {}. No calibration was written{}.", fit.refused.empty() ? fit.wanting : fit.refused,
                         session.points().empty() ? std::string{}
                                                  : fmt::format("; the levels are kept in {}", session.path())));
        if (options.json) print_json(to_json(options, fit, {}));
        return exit_refused;
    }
    return write(options, plan, fit, session.calibration());
}

}  // namespace dekeyd::ctl
