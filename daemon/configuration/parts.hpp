// The reader of the configuration, part by part. The parts share one Draft.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/calibration.hpp"
#include "configuration/configuration.hpp"
#include "configuration/section.hpp"
#include "plan/plan.hpp"

namespace dekeyd::formats {

/// The parts that a sensor can play; core::Roles has a place for each, and for more of some.
enum class Role {
    none,
    forward,
    reflected,
    drive,
    supply,
    current,
    heatsink,
    ambient,
    fan,
    enable_sense,
    key_sense,
    contactor_sense
};

/// What a limit on a contact that opens has from the sensor that describes it.
struct ContactRule {
    bool interlock = true;
    core::Duration hold_off{};
    core::Rearm rearm = core::Rearm::latched;
};

/// Beside Configuration::plan.channels, index by index: also for sensors with faults, so that their names are known.
struct SensorDraft {
    Place place;       ///< of its key
    std::string path;  ///< sensors.heatsink
    Role role = Role::none;
    std::optional<core::ChannelKind> kind;  ///< absent: at fault
    std::optional<std::size_t> bus;         ///< index of its bus; absent: at fault
    std::string address;
    std::string chip;  ///< contacts
    bool normally_closed = true;
    bool window_given = false;
    std::optional<std::uint16_t> like;  ///< the sensor whose detector and coupler this one's are like
    Place allowed_age_place;
    bool age_given = false;
    ContactRule contact;
    std::string supply;  ///< id of the supply at whose voltage this current flows
    Place supply_place;
    std::string drift_sensor;  ///< id of the sensor whose temperature corrects this detector
    Place drift_place;
};

struct BusDraft {
    Place place;
    std::string path;
    bool driver_known = false;
    bool period_known = false;
    std::string chip;  ///< contacts: for all of its sensors
};

struct StageDraft {
    Place place;
    std::string path;  ///< stages.driver
};

struct AmplifierDraft {
    Place place;
    std::optional<double> rated_w, maximum_drive_w, maximum_current_a, nominal_supply_v;
    bool rf_levels_known = false;  ///< the levels in plan.rf are right
};

struct Draft {
    Report report;
    std::string folder;  ///< where the files are that the text names; empty: the working directory
    Configuration configuration;
    std::vector<BusDraft> buses;       ///< as configuration.buses
    std::vector<SensorDraft> sensors;  ///< as configuration.plan.channels
    std::vector<StageDraft> stages;    ///< as configuration.plan.stages
    AmplifierDraft amplifier;
    Place emission_place;

    [[nodiscard]] core::Plan& plan() noexcept { return configuration.plan; }
    [[nodiscard]] std::optional<std::uint16_t> channel(std::string_view id) const;
    [[nodiscard]] std::optional<std::uint16_t> with_role(Role role) const;
};

/// What brings a cause to its end, of a limit and of a contact.
inline constexpr Word rearm_words[]{{"automatic", core::Rearm::automatic}, {"latched", core::Rearm::latched}};

inline constexpr std::size_t most_sensors = 64;
inline constexpr std::size_t most_buses = 16;
inline constexpr std::size_t most_stages = 8;
inline constexpr std::size_t most_limits = 64;

// The rows of the keys that each part reads, in the annotated configuration's order.
std::span<const KeyRow> top_keys();
std::span<const KeyRow> device_keys();  // device, paths, guard
std::span<const KeyRow> line_keys();    // line, contactor, dynamic_permit
std::span<const KeyRow> bus_keys();
std::span<const KeyRow> stage_keys();
std::span<const KeyRow> sensor_keys();  // but for what detectors alone have
std::span<const KeyRow> detector_keys();
std::span<const KeyRow> emission_keys();
std::span<const KeyRow> amplifier_keys();
std::span<const KeyRow> main_line_keys();  // main_line, circulator, heat
std::span<const KeyRow> antenna_keys();    // antenna, exposure, plan
std::span<const KeyRow> limit_keys();
std::span<const KeyRow> supervision_keys();  // supervision, plausibility
std::span<const KeyRow> commissioning_keys();
std::span<const KeyRow> proof_keys();
std::span<const KeyRow> recorder_keys();
std::span<const KeyRow> lockout_keys();
std::span<const KeyRow> mqtt_keys();
std::span<const KeyRow> signal_keys();

// In the order in which they are called: each may use what those before it have filled in.
void read_device(Section& top, Draft& draft);  // device, paths
void read_guard(Section& top, Draft& draft);   // guard, lockout
void read_line(Section& top, Draft& draft);    // line, contactor
void read_buses(Section& top, Draft& draft);
void read_emission(Section& top, Draft& draft);
void read_stages(Section& top, Draft& draft);
void read_sensors(Section& top, Draft& draft);
void check_sensors(Draft& draft);  // against each other, called by the former
void pair_feeds(Draft& draft);     // each current with its supply, called by the former
void check_stages(Draft& draft);   // called by the former
void read_amplifier(Section& top, Draft& draft);
void read_main_line(Section& top, Draft& draft);  // main_line, circulator
void read_heat(Section& top, Draft& draft);
void read_antenna(Section& top, Draft& draft);     // antenna, exposure
void read_level_plan(Section& top, Draft& draft);  // plan
void assign_slots(Draft& draft);                   // buses' slots, in reading order
void plan_emission(Draft& draft);                  // by the bus of forward
void check_ages(Draft& draft);
void read_limits(Section& top, Draft& draft);
void add_made_limits(Draft& draft);           // called by the former
void check_emission(Draft& draft);            // beside the limits
void read_rules(Section& top, Draft& draft);  // supervision, plausibility
void read_commissioning(Section& top, Draft& draft);
void read_mqtt(Section& top, Draft& draft);
void read_signal(Section& top, Draft& draft);
void read_recorder(Section& top, Draft& draft);
void read_proof(Section& top, Draft& draft);
void check_relations(Section& top, Draft& draft);  // values beside each other; hazards that no limit watches
void give_advice(Draft& draft);

/// "power-supply" -> "Power supply".
std::string words_from_id(std::string id);
/// `stage:` of a sensor.
void read_stage_of(Section& sensor, Draft& draft, core::Channel& channel);
/// "Driver: Heatsink": a sensor's or a limit's name in its stage, where it doesn't begin with the stage's name itself.
std::string name_in_stage(const core::StagePlan* stage, std::string name);

/// The chain from detector to line of a sensor that measures power.
std::optional<core::PowerChain> read_chain(Section& sensor, Draft& draft, SensorDraft& of);

/// The points of a detector's or a calibration's `table:`, checked; nothing where they are at fault. A calibration's
/// are at least one, and may say more of themselves: `more`.
std::optional<core::TableDetector> read_table(Section& detector, Report& report,
                                              std::vector<CalibrationPoint>* more = nullptr);

/// The law of a sensor with `calibration: FILE` is corrected by that file's levels.
void read_calibration(Section& sensor, Draft& draft, core::PowerChain& chain);

/// Power on the main line at the detector's floor or ceiling, W.
double line_floor_w(const core::PowerChain& chain);
double line_ceiling_w(const core::PowerChain& chain);

/// All slots read once, with their conversions.
core::Duration pass_time(const BusConfig& bus);
/// From one reading of a slot to the next: a bus that falls behind its period goes on without a rest.
core::Duration round_time(const BusConfig& bus);
/// The same with room for what the kernel may add to a thermometer's conversion, such as a reading that it repeats.
/// Where they convert together: for a pass that was begun just before.
core::Duration patient_round(const BusConfig& bus);
/// The least allowed age that its sensors can keep.
core::Duration least_age(const BusConfig& bus);

/// What DESIGN's table gives for the fields of a limit that were not written. Absent: the table has none.
struct LimitDefaults {
    std::optional<double> trip;
    std::optional<core::Direction> direction;
    bool clear_by_rf = false;
    std::optional<double> clear;  ///< from the trip level
    core::Duration qualify{};
    core::Duration hold_off{};
    core::Rearm rearm = core::Rearm::latched;
    std::optional<core::Gate> gate;
};
/// The trip that the table gives, and the direction.
LimitDefaults limit_defaults(const Draft& draft, core::QuantityIndex watch, std::optional<core::Direction> direction,
                             std::optional<double> trip);

/// What per cent on that supply refer to; none where it isn't given.
std::optional<double> nominal_supply_v(const Draft& draft, core::QuantityIndex supply);

/// True for quantities that are not measurable below the minimum forward power.
bool needs_forward_power(const Draft& draft, core::QuantityIndex watch);

}  // namespace dekeyd::formats
