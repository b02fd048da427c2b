// The configuration: YAML text in, a checked Configuration or every fault at once out.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/interlock.hpp"
#include "maths/emission.hpp"
#include "maths/exposure.hpp"
#include "plan/plan.hpp"
#include "plan/time.hpp"
#include "words/signal_measures.hpp"

namespace dekeyd::formats {

/// One fault of a configuration text. Lines and columns (in characters) count from 1.
struct Fault {
    std::size_t line = 0;
    std::size_t column = 0;
    std::string key;       ///< dotted path: limits.heatsink.trip
    std::string what;      ///< what is wrong
    std::string expected;  ///< what was expected, and how to mend it; the nearest right key where one is near
};

/// What a range or a relation forbids, and the text accepts by name.
struct Accepted {
    std::string word;  ///< under `accept:`
    std::string what;  ///< one clause: what is so
};

/// Legal and unwise, or a default that the operator hasn't confirmed.
struct Advice {
    std::size_t line = 0;
    std::string key;
    std::string what;
};

enum class BusDriver { w1, iio, hwmon, contact };

/// What a slot of a bus reads. `address`: w1 id (28-...), IIO channel (voltage0), hwmon channel (in1), GPIO line.
struct SlotConfig {
    std::string sensor;  ///< id of the channel it feeds
    std::string address;
    bool normally_closed = true;  ///< contacts
    std::string chip;             ///< contacts: gpiochip by label or name; empty: the line's name must be unique
};

/// One sampler: a bus or a device with its own thread. Its index is the plan's sampler index.
struct BusConfig {
    std::string id;
    BusDriver driver = BusDriver::w1;
    std::string device;  ///< IIO or hwmon: the chip's `name`
    std::string label;   ///< tells two of the same name apart: IIO label, or a part of the device's path
    core::Duration period{};
    core::Duration conversion{};                      ///< what one slot takes at most, as far as is known: for delays
    bool convert_together = false;                    ///< w1: one conversion for all slots; each is then only read out
    std::optional<int> bits{};                        ///< w1: that each converts by; none: as its part is set
    std::optional<double> lowest_code, highest_code;  ///< the converter's ends
    std::vector<SlotConfig> slots;                    ///< in reading order; forward again last where VSWR needs it
};

inline constexpr int w1_fewest_bits = 9, w1_most_bits = 12;
/// The longest conversion of a thermometer with so many bits.
core::Duration w1_conversion_time(int bits);
/// A round of the bus is one scan; else each reading is one by itself.
inline bool handed_over_whole(const BusConfig& bus) {
    return bus.driver != BusDriver::w1 || bus.convert_together;
}

enum class LineDriver { gpio, file };

struct LineConfig {
    LineDriver driver = LineDriver::gpio;
    std::string chip;  ///< gpiochip by label or name; empty: the line's name must be unique
    std::string line;  ///< name, or offset as a number
    bool permit_high = true;
    std::string path;  ///< for the file driver
};

struct MqttConfig {
    std::string host;
    int port = 1883;
    std::string user;
    std::string password_file;
    bool password_in_clear = false;  ///< allow a password without TLS to a broker that isn't on loopback
    bool tls = false;
    std::string ca_file, certificate_file, key_file;
    bool remote_release = false;
    bool remote_reset = false;
    core::Duration slowest{};        ///< a value is sent at least so often
    core::Duration fastest{};        ///< and at most so often
    std::string discovery_prefix{};  ///< of home dashboards' discovery topics; empty: not announced there
};

/// Figures of the sent signal, which a receiver elsewhere measures and publishes by MQTT. No part of the plan: it
/// decides nothing.
struct ReceivedConfig {
    std::string topic;  ///< exact
    double warn_below_db = 0.0;
    core::Duration allowed_age{};
};
/// By SignalMeasure; none: no receiver measures it.
using SignalConfig = std::array<std::optional<ReceivedConfig>, signal_measure_count>;

/// The commands that may come by MQTT, and no other. Each one's word is the id of its property and its only payload.
struct RemoteRule {
    core::CommandKind kind;
    std::string_view name;
    bool MqttConfig::*allowed;  ///< null: always
    std::string_view key;       ///< of `allowed`

    [[nodiscard]] bool allows(const MqttConfig& mqtt) const noexcept { return allowed == nullptr || mqtt.*allowed; }
};
inline constexpr RemoteRule remote_rules[] = {
    {core::CommandKind::hold, "Hold", nullptr, {}},
    {core::CommandKind::release, "Release a hold", &MqttConfig::remote_release, "remote_release"},
    {core::CommandKind::reset, "Reset what is latched", &MqttConfig::remote_reset, "remote_reset"},
};

/// The parts between the amplifier and the antenna, in the signal's order.
enum class MainLinePart { amplifier, circulator, low_pass_filter, coupler, feeder, antenna };

struct AntennaConfig {
    double gain_dbi = 0.0;  ///< a dish's too
    std::optional<core::Dish> dish;
    double duty = 1.0;  ///< share of the averaging time that is sent, 0..1
};

/// One power-density limit that the distance is worked out for.
struct ExposureCase {
    std::string name;  ///< "general public", "occupational", "own limit"
    double w_per_m2 = 0.0;
    double averaging_s = 0.0;  ///< 0: not known
    std::string edition;       ///< of the rule, and how we know it
};

/// One thing between exciter and amplifier.
struct DrivePart {
    std::string name;
    double gain_db = 0.0;  ///< negative: a loss
    std::optional<double> maximum_input_dbm;
    std::optional<double> one_db_output_dbm;
};

/// What `plan` needs beside the rest: it decides nothing in the daemon.
struct LevelPlan {
    double wanted_w = 0.0;  ///< forward, at the amplifier
    double exciter_lowest_dbm = 0.0;
    double exciter_highest_dbm = 0.0;
    std::vector<DrivePart> parts;  ///< in order
    double ambient_c = 25.0;
    std::optional<double> thermal_resistance_k_per_w;
    std::optional<double> efficiency_percent;  ///< at the wanted power
};

/// In the place of a calibration's file name: it is still to be made, and until then nothing is permitted.
inline constexpr std::string_view calibration_pending = "pending";

/// One level of it, at the detector.
struct CalibrationPoint {
    double volts = 0.0;
    double dbm = 0.0;
    double doubt_db = 0.05;  ///< beside the reference's uncertainty, k = 2
    std::string taken{};     ///< when; empty: not said
};

/// A detector's calibration against a reference, from the file that the configuration names.
struct Calibration {
    std::string sensor;
    std::string file;
    std::string date;
    std::string reference;
    double reference_db = 0.0;  ///< its uncertainty at k = 2
    double residual_db = 0.0;   ///< what a straight law would have left
    std::optional<double> temperature_c;
    std::vector<CalibrationPoint> points;
};

/// The captures of trips: how long, how many.
struct RecorderConfig {
    core::Duration before = std::chrono::seconds{10};  ///< of a trip, at least
    core::Duration after = std::chrono::seconds{5};
    std::size_t most_captures = 100;  ///< then the oldest go
    std::size_t most_bytes = 64UL * 1024 * 1024;
};

struct Configuration {
    std::string id;                      ///< Homie device id and instance: a-z 0-9 and hyphen
    std::string name;                    ///< for people
    std::optional<double> frequency_hz;  ///< for people too
    core::Plan plan;
    const core::EmissionFacts* emission = nullptr;  ///< what is sent; null: not said
    std::vector<MainLinePart> main_line;            ///< empty: not said
    std::optional<double> circulator_rating_w;      ///< of its load
    std::optional<double> one_db_forward_w;         ///< forward power at 1 dB of compression
    std::optional<double> maximum_drive_w;
    std::optional<double> maximum_current_a, nominal_supply_v;
    std::optional<AntennaConfig> antenna;
    std::vector<ExposureCase> exposure;
    double ground_factor = core::ground_usual;
    std::optional<LevelPlan> level_plan;
    std::vector<Calibration> calibrations;
    std::vector<BusConfig> buses;
    LineConfig line;
    std::optional<LineConfig> contactor;
    std::optional<LineConfig> dynamic_permit;  ///< toggles with each decision while permitted, for a charge pump
    std::optional<MqttConfig> mqtt;
    std::optional<SignalConfig> signal;  ///< the telemetry's alone
    core::Duration guard_period{};
    std::optional<int> guard_processor{};  ///< none: the last that the service may use
    std::string sysfs_root;                ///< default /sys
    std::string state_directory;           ///< default /var/lib/dekeyd
    std::string run_directory;             ///< default /run/dekeyd
    RecorderConfig recorder;
    std::optional<core::Duration> proof_every;  ///< a proof test is overdue after so long
    std::string text;                           ///< what it was read from
    std::string folder;                         ///< where the files that it names are
    std::vector<Accepted> accepted;
    std::vector<Advice> advice;
};

/// Who reads it. The guard has no use for `mqtt:` but what may be commanded remotely, and none for `signal:`, of which
/// it keeps nothing: faults of these sections alone don't keep it from guarding, nothing may be commanded where they
/// are of `mqtt:`, and it is the telemetry that refuses.
enum class Reads { all, the_guards_part };

/// Faults empty: configuration set. Of the guard's part also where all faults are of `mqtt:` and `signal:`; else not.
struct Loaded {
    std::optional<Configuration> configuration;
    std::vector<Fault> faults;
    std::vector<Advice> advice;
};

/// Parses and checks the whole text. Never throws for any content; a size and depth scan comes before the library.
/// `folder`: where the files that it names are; empty: the working directory.
Loaded load_configuration(std::string_view yaml, const std::string& folder = {}, Reads reads = Reads::all);

/// Reads the file (at most 1 MiB) and parses it; an unreadable file is a fault at line 0.
Loaded load_configuration_file(const std::string& path, Reads reads = Reads::all);

/// "file:12:9: error: ..." with the source line and a caret, for people; a line at least for each fault.
std::string render(const std::string& file, std::string_view yaml, const Fault& fault);
/// All of them, with the lines of the file as it is now.
std::string render(const std::string& file, const Loaded& loaded);

/// The configuration in sentences: what it guards, what it does.
std::vector<std::string> summarise(const Configuration& configuration);

}  // namespace dekeyd::formats
