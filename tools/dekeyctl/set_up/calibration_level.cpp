#include "dekeyctl/set_up/calibration_level.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <cstdio>
#include <thread>

#include "base/connection.hpp"
#include "configuration/calibration.hpp"
#include "configuration/configuration.hpp"
#include "dekeyctl/set_up/calibration_talk.hpp"
#include "maths/correction.hpp"
#include "maths/rf.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl {
namespace {

const Quantity* find(const Status& status, const std::string& id) {
    for (const Quantity& quantity : status.quantities)
        if (quantity.id == id) return &quantity;
    return nullptr;
}

/// Why RF may be gone: ", and dekeyd inhibits: ..."; empty while it permits.
std::string inhibited(const Status& status) {
    return status.permit ? std::string{} : fmt::format("; dekeyd inhibits: {}", status.reason);
}

/// One reading turned back to the detector; none: why.
struct DetectorReading {
    std::optional<double> dbm{};
    std::string why{};
};

/// dBm at the detector by its present law, out of what the daemon shows on the line; and what the law was told to add.
DetectorReading at_detector(const CalibratedSensor& sensor, const Status& status) {
    const Quantity* quantity = find(status, sensor.id);
    if (quantity == nullptr || !quantity->value || quantity->health != "good" || !(*quantity->value > 0.0)) {
        const std::string why =
            quantity == nullptr
                ? "the daemon has no such sensor"
                : fmt::format("no power to compare: {}", quantity->health.empty() ? "no reading" : quantity->health);
        return {.why = why + inhibited(status)};
    }
    const core::PowerChain& chain = sensor.chain;
    double drift_db = 0.0;
    if (!sensor.drift_sensor.empty()) {
        const Quantity* temperature = find(status, sensor.drift_sensor);
        if (temperature != nullptr && temperature->value)
            drift_db = chain.temperature_db_per_k * (*temperature->value - chain.temperature_reference_c);
    }
    return {.dbm = core::dbm_from_watts(*quantity->value) - chain.coupling_db - chain.pads_db - chain.cable_db -
                   chain.waveform_db - drift_db};
}

/// `inhibits`: why the daemon permitted nothing at the last reading; empty where it permitted.
std::optional<formats::LevelAverage> average(const CalibrateOptions& options, const CalibratedSensor& sensor,
                                             std::optional<double>& temperature_c, std::string& inhibits) {
    formats::LevelAverage level;
    constexpr std::size_t most = 400;
    std::FILE* const out = out_of(options);
    const bool terminal = ::isatty(::fileno(out)) != 0;
    while (!level.settled() && level.readings() < most) {
        const Message message = read_message(ask(options.socket, R"({"ask":"status"})"));
        if (!message.status) throw Unreachable{options.socket + ": the answer holds no status"};
        const DetectorReading reading = at_detector(sensor, *message.status);
        if (!reading.dbm) {
            tell(options, "  " + reading.why);
            return std::nullopt;
        }
        level.add(*reading.dbm);
        inhibits = message.status->permit ? std::string{} : message.status->reason;
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

}  // namespace

std::optional<CalibratedSensor> calibrated_sensor(const core::Plan& plan, const std::string& id) {
    for (std::size_t i = 0; i < plan.channels.size(); ++i) {
        const core::Channel& channel = plan.channels[i];
        if (channel.id != id || !channel.power) continue;
        const auto drift = channel.power->temperature_channel;
        CalibratedSensor sensor{.id = id, .chain = *channel.power};
        if (drift) sensor.drift_sensor = plan.channels[*drift].id;
        sensor.temperature_of = drift                ? sensor.drift_sensor
                                : plan.roles.ambient ? plan.channels[*plan.roles.ambient].id
                                                     : std::string{};
        sensor.reflected = plan.roles.reflected == i;
        return sensor;
    }
    return std::nullopt;
}

std::optional<core::PowerChain> law_of(const std::string& sensor, const Status& status, const core::PowerChain& chain) {
    core::PowerChain uncorrected = chain;
    uncorrected.correction.reset();
    const auto found = status.laws.find(sensor);
    if (found == status.laws.end() || found->second == formats::chain_id(chain)) return chain;
    return found->second == formats::chain_id(uncorrected) ? std::optional{uncorrected} : std::nullopt;
}

bool take_level(const CalibrateOptions& options, const CalibratedSensor& sensor, CalibrationSession& session) {
    std::optional<double> temperature_c;
    std::string inhibits;
    const auto level = average(options, sensor, temperature_c, inhibits);
    if (!level) return true;
    // What is left behind an open contact is steady, too, and no level of the amplifier.
    if (!inhibits.empty() && !sensor.reflected)
        tell(options, "  dekeyd inhibits: " + inhibits +
                          " Unless a signal source feeds the line, this is no level: Enter alone drops it.");
    const auto given = hear(options, "  The reference shows (such as 94.2 W or 49.7 dBm):");
    if (!given) return false;
    const formats::Quantity watts = formats::parse_quantity(*given, formats::Dimension::power);
    if (!watts.good() || !(watts.value > 0.0)) {
        tell(options, fmt::format("  {}; expected {}. The level is dropped.", watts.good() ? "no power" : watts.what,
                                  watts.good() ? "a power above zero" : watts.expected));
        return true;
    }
    const core::PowerChain& chain = sensor.chain;
    const double pads_db = options.pad_db.value_or(chain.pads_db);
    constexpr double own_doubt_db = 0.05, other_pads_doubt_db = 0.3;
    return session.keep(
        {.volts = core::chain_volts(chain, level->mean_dbm()),
         .dbm = core::dbm_from_watts(watts.value) - chain.coupling_db - pads_db - chain.cable_db - chain.waveform_db,
         .doubt_db = options.pad_db ? other_pads_doubt_db : own_doubt_db,
         .taken = utc_now()},
        temperature_c);
}

}  // namespace dekeyd::ctl
