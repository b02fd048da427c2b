// The plan: what a checked configuration tells core. Immutable once built; all checking was done before.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "plan/quantities.hpp"
#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

// ---- from volts to watts ---------------------------------------------------------------------------------------

/// V = slope * (P - intercept): slope in V/dB of either sign, P and intercept in dBm at the detector.
struct LogDetector {
    double slope_v_per_db = 0.0;
    double intercept_dbm = 0.0;
};

struct TablePoint {
    double volts = 0.0;
    double dbm = 0.0;
};

/// At least two points, dBm strictly rising, volts strictly monotone; linear in dB between them.
struct TableDetector {
    std::vector<TablePoint> points;
};

/// A diode in its square-law region: V = volts_per_watt * P.
struct SquareLawDetector {
    double volts_per_watt = 0.0;
};

using Detector = std::variant<LogDetector, TableDetector, SquareLawDetector>;

/// A level that was compared with a reference: what its law shows, and what must be added to that.
struct CorrectionPoint {
    double shown_dbm = 0.0;
    double add_db = 0.0;
    double doubt_db = 0.0;  ///< of this level alone, k = 2
};

/// What comparisons made of a stated law (maths/correction.hpp). Linear between its points; beyond them a slope goes
/// on.
struct Correction {
    std::vector<CorrectionPoint> points;  ///< at least one; shown and true levels both rise
    double between_db = 0.0;              ///< far from a level between two, the most that it may be off, k = 2
    double beyond_db = 0.0;               ///< beyond the outermost, without the slope's part
    double slope_db_per_db = 0.0;         ///< of what is added, beyond the outermost
    double slope_doubt_db_per_db = 0.0;   ///< k = 2
};

/// From the detector's volts to the power on the main line:
/// dBm on the line = dBm at the detector + coupling + pads + cable + waveform.
struct PowerChain {
    Detector detector;  ///< as its data sheet states it
    std::optional<Correction> correction;
    double coupling_db = 0.0;          ///< positive: 40 for a 40 dB coupler
    double pads_db = 0.0;              ///< attenuators between port and detector, positive
    double cable_db = 0.0;             ///< loss of the cable to the detector, positive
    double waveform_db = 0.0;          ///< what a detector calibrated on a carrier must have added for this modulation
    double floor_dbm = 0.0;            ///< at the detector: below it the power is "at most this"
    double ceiling_dbm = 0.0;          ///< at the detector: above it the power is "at least this"
    bool calibration_pending = false;  ///< never compared with a reference: no permit but while commissioning
    std::optional<std::uint16_t> temperature_channel;  ///< for the coefficient
    double temperature_db_per_k = 0.0;                 ///< added per kelvin above the reference
    double temperature_reference_c = 25.0;
    double temperature_low_c = -55.0;   ///< where the sensor of that temperature can be: how far the correction can be
    double temperature_high_c = 125.0;  ///< out while it gives none
    // Terms of the uncertainty, each a half-width in dB as its source states it: limits (+-), but calibration at k = 2.
    double conformance_db = 1.0;  ///< the detector's own log conformance, where not calibrated
    double calibration_db = 0.0;  ///< of the reference meter
    double coupling_tolerance_db = 0.5;
    double converter_db = 0.1;    ///< converter step and gain, seen through the slope
    double temperature_db = 0.3;  ///< drift that no coefficient takes out
    double mismatch_db = 0.2;     ///< at the detector's input
};

// ---- channels --------------------------------------------------------------------------------------------------

enum class ChannelKind : std::uint8_t { temperature, power, voltage, current, speed, contact };

/// One measured quantity: where its samples come from, and how they become a reading.
struct Channel {
    std::string id;    ///< a-z 0-9 and hyphen
    std::string name;  ///< for people
    ChannelKind kind = ChannelKind::voltage;
    std::uint16_t sampler = 0;
    std::uint16_t slot = 0;
    bool required = true;  ///< its fault inhibits even where no limit watches it
    Duration allowed_age{};
    double valid_low = 0.0;  ///< window of the sample, in its own unit (live zero)
    double valid_high = 0.0;
    double gain = 1.0;  ///< reading = (sample - zero) * gain, for all kinds but power
    double zero = 0.0;
    std::optional<PowerChain> power;  ///< for kind power
    double largest_jump = 0.0;        ///< temperature: a larger one between readings waits for a second; 0 = no rule
    std::optional<double> power_on_value;  ///< the part's magic value, re-read before it is believed (85 degC)
    Duration frozen_after{};               ///< bit-identical for so long: a warning (0 = never)
    bool frozen_is_fault = false;
    bool normally_open =
        false;  ///< a contact that closes when something is wrong; its reading is 1 in either kind while well
    std::optional<std::uint16_t> stage;  ///< index into Plan::stages; empty: the amplifier itself, or the station
};

// ---- quantities ------------------------------------------------------------------------------------------------

/// Index into Snapshot::quantities: channels first, then Derived.
using QuantityIndex = std::uint16_t;

/// A current, and the supply at whose voltage it flows; empty where no voltage is measured.
struct Feed {
    std::uint16_t current = 0;
    std::optional<std::uint16_t> supply;
};

/// Which channel plays which part; empty where it isn't measured.
struct Roles {
    std::optional<std::uint16_t> forward, reflected, drive, supply, current, heatsink, ambient, fan;
    std::optional<std::uint16_t> enable_sense;  ///< contact: the enable voltage after the line's contact
    std::optional<std::uint16_t> key_sense;     ///< contact: a status, never an interlock
    /// contact: follows the supply contactor's own contacts; at rest (normal, 1) while the contactor is open
    std::optional<std::uint16_t> contactor_sense;
    // What an amplifier may have more than one of: `supply`, `current` and `fan` are the first, and `current` flows at
    // `supply`'s voltage.
    std::vector<std::uint16_t> more_supplies, more_fans;
    std::vector<Feed> more_feeds;

    [[nodiscard]] bool is_supply(QuantityIndex channel) const noexcept;
    [[nodiscard]] bool is_current(QuantityIndex channel) const noexcept;
    [[nodiscard]] bool is_fan(QuantityIndex channel) const noexcept;
};

/// A part before the amplifier with sensors and limits of its own: a driver. Its roles are supply, current, heatsink
/// and fan.
struct StagePlan {
    std::string id;
    std::string name;  ///< for people; the names of its sensors and limits begin with it
    Roles roles;
    std::optional<double> nominal_supply_v;
};

/// What is sent, as far as it says how soon a ratio may be judged. As made the strictest: a carrier, or not known.
struct EmissionPlan {
    /// The envelope moves between two readings: ratios are averaged over it, and RF may last so long in all before
    /// there is one. Zero: each scan stands for itself.
    Duration ratio_time{};
    Duration power_time = std::chrono::seconds{1};  ///< window of forward's mean and peak
    double unseen_crest = 1.0;                      ///< the peak over what the detectors show of it, a ratio of powers
    std::string name;                               ///< "8PSK"; empty: not said
    /// That a linear amplifier's output must lie below its 1 dB point; empty: its envelope is constant, or not said.
    std::optional<double> back_off_db;
    bool of_peak = false;  ///< that output is the envelope's peak, not the mean
};

struct RfPlan {
    double rated_w = 0.0;
    double minimum_forward_w = 0.0;  ///< below it ratios are not measurable
    double rf_present_w = 0.0;       ///< forward at or above it: RF is on the line (above the measured feed-through)
    std::optional<double> reflected_present_w;               ///< the same of reflected; empty: as forward's
    double drive_absent_w = 0.0;                             ///< drive below it: the exciter is off
    std::uint16_t forward_again_slot = 0;                    ///< same sampler: forward read once more after reflected
    Duration release_time = std::chrono::milliseconds{100};  ///< relay and filter: RF may last so long after inhibit
    Duration hang_time = std::chrono::seconds{1};            ///< RF absent for so long ends a transmission
    Duration edge_time = std::chrono::milliseconds{20};      ///< qualify time of the plausibility rules
    std::optional<double> directivity_db;                    ///< of the whole installation, both arms
    double feeder_loss_db = 0.0;
    std::optional<double> small_signal_gain_db;
    double gain_db_per_k = 0.0;  ///< of the small-signal gain with the heatsink's temperature, usually negative
    double gain_reference_c = 25.0;
    std::optional<Duration> circulator_load_time;  ///< thermal time of the circulator's load, where it comes before
    double main_line_loss_db = 0.0;
    std::optional<double> one_db_forward_w;  ///< forward power at 1 dB of compression
    EmissionPlan emission;

    /// Reflected at or above it: RF is on the line.
    [[nodiscard]] double reflected_is_rf_w() const noexcept { return reflected_present_w.value_or(rf_present_w); }
};

// ---- limits ----------------------------------------------------------------------------------------------------

enum class Direction : std::uint8_t { above, below };
enum class Rearm : std::uint8_t { automatic, latched };
enum class ClearBy : std::uint8_t { level, rf_off };
enum class Edge : std::uint8_t { reading, low, high };

/// "while `quantity` is at or above `level`": below it the limit rests, unknown it is unknown.
struct Gate {
    QuantityIndex quantity = 0;
    double level = 0.0;
    Direction open = Direction::above;  ///< a fan's limit: "while heatsink is above"; supply: "while contactor closed"
};

struct LimitPlan {
    std::string id;
    std::string name;
    QuantityIndex watch = 0;
    Edge edge = Edge::reading;
    Direction direction = Direction::above;
    double trip = 0.0;
    double clear = 0.0;  ///< on the safe side of trip; unused where clear_by is rf_off
    ClearBy clear_by = ClearBy::level;
    std::optional<double> warn;  ///< on the safe side of trip
    Duration qualify{};
    Duration hold_off{};
    Rearm rearm = Rearm::latched;
    bool counted = true;  ///< adds to the count that ends in lockout
    std::optional<Gate> gate;
    bool trips = true;            ///< false: it only warns, until past `clear`; trip == warn (a forecast, compression)
    bool while_supplied = false;  ///< rests while the supply contactor is open (supply limits)
    bool provisional = false;     ///< rests but while commissioning
};

// ---- heat ------------------------------------------------------------------------------------------------------

struct HeatPlan {
    std::optional<double> full_fan_rpm;
    double quiescent_w = 0.0;                      ///< DC power without RF
    std::optional<Duration> planned_transmission;  ///< the forecast looks to its end
};

// ---- plausibility and supervision ------------------------------------------------------------------------------

/// Rules that compare measurements with each other and with what was asked for. A rule whose figures are missing rests.
struct PlausibilityPlan {
    Duration switching_time = std::chrono::milliseconds{100};  ///< after a change of permit, key edges and relays
    Duration qualify = std::chrono::milliseconds{500};         ///< the samplers compared are not in step
    std::optional<double> current_with_rf_a;    ///< above the learned quiescent current: so much flows only with RF
    std::optional<double> best_return_loss_db;  ///< better than this no installation is: a loose reflected cable
    std::optional<double> heating_w;            ///< heat that must show on the heatsink ...
    double heating_rise_k = 2.0;                ///< ... as at least this rise ...
    Duration heating_time = std::chrono::minutes{5};  ///< ... within this time, after as long without it
};

struct SupervisionPlan {
    bool monitor_only = false;      ///< measures and publishes; never drives permit
    bool continuous_drive = false;  ///< the exciter never pauses: a permit doesn't wait for drive to be absent
    bool contactor = false;         ///< a second line drops the supply when the first one fails
    /// From closing to a settled supply, from opening to a fallen one; its contacts may contradict their order so long.
    Duration contactor_time = std::chrono::milliseconds{500};
    std::optional<Duration> longest_transmission;
    Duration transmission_warning = std::chrono::minutes{1};  ///< before its end
    std::optional<Duration> commissioning;                    ///< a commissioning lasts so long; empty: there is none
};

// ---- the interlock ---------------------------------------------------------------------------------------------

struct InterlockPlan {
    Duration settling{};  ///< all good for so long before the first permit
    std::uint32_t lockout_trips = 3;
    Duration lockout_window{};
    std::uint32_t unclean_starts = 3;
    Duration unclean_window = std::chrono::minutes{15};
    bool held_after_start = false;
    Duration guard_deadline{};  ///< a step later than this after the one before is an overrun
    std::uint32_t overruns_in_a_row = 3;
    Duration sensor_hold_off{};  ///< hold-off of the built-in causes
};

/// Everything core needs to know. `samplers[i]` is the number of slots of sampler i.
struct Plan {
    std::vector<std::uint16_t> samplers;
    std::vector<Channel> channels;
    Roles roles;
    std::vector<StagePlan> stages;
    RfPlan rf;
    std::vector<LimitPlan> limits;
    HeatPlan heat;
    PlausibilityPlan plausibility;
    SupervisionPlan supervision;
    InterlockPlan interlock;

    [[nodiscard]] std::size_t quantity_count() const noexcept { return channels.size() + derived_count; }
    [[nodiscard]] QuantityIndex index(Derived d) const noexcept {
        return static_cast<QuantityIndex>(channels.size() + static_cast<std::size_t>(d));
    }
};

/// The stage that a quantity belongs to, and so a limit on it: its sensor's. None: the amplifier's, or the station's.
const StagePlan* stage_of(const Plan& plan, QuantityIndex index) noexcept;
/// The roles of that stage, else the amplifier's.
const Roles& roles_around(const Plan& plan, QuantityIndex index) noexcept;

/// The rule of a quantity that is worked out; none of a sensor's.
const DerivedRule* rule_of(const Plan& plan, QuantityIndex index) noexcept;

/// The plan has it.
bool has(const Plan& plan, Input input) noexcept;
/// The channel with the role that the input is; none where it is no channel, or there is none.
std::optional<std::uint16_t> channel_of(const Plan& plan, Input input) noexcept;
/// A sensor's own, or worked out from what the plan has: exactly these are announced, and can become known.
bool can_be_known(const Plan& plan, QuantityIndex index) noexcept;

/// Identity, name and unit of a quantity, for topics, screens and messages. `index` < plan.quantity_count().
struct QuantityInfo {
    std::string_view id;
    std::string_view name;
    Unit unit = Unit::none;
};
QuantityInfo describe(const Plan& plan, QuantityIndex index) noexcept;
Unit unit_of(ChannelKind kind) noexcept;

}  // namespace dekeyd::core
