// What must hold, looked at in each step by one who knows the truth.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "second_opinion/monitor.hpp"
#include "soak/daemon.hpp"
#include "soak/world.hpp"

namespace dekeyd::soak {

class Oracle {
public:
    Oracle(const Options& options, const formats::Configuration& configuration, World& world, const Daemon& daemon);

    /// none: there was nothing before; left: a stop that could not save.
    enum class End : std::uint8_t { none, stopped, left, killed, power_lost };
    /// The daemon began, after such an end.
    void started(End end);
    /// What goes to the daemon with the next step.
    void commanded(const core::Command& command);
    /// The machine has slept so long, and the guard with it.
    void slept(double seconds);
    /// After each step.
    void look(const std::vector<core::Scan>& scans);

    void check(bool holds, const char* what) {
        if (!holds) fail(what);
    }
    void fail(const std::string& what);
    [[nodiscard]] int failures() const noexcept { return failures_; }
    void finish();  ///< what must have happened
    void print() const;

    /// An order that waited too long: void, and recognised by its id.
    static constexpr std::uint32_t too_late = 0x8000'0000;

    std::uint64_t events = 0, trips = 0;

private:
    /// A limit's true quantity: when it is unsafe, and how long that has lasted with RF.
    struct Guarded {
        const core::LimitPlan* limit = nullptr;
        core::SourceIndex source = 0;
        double (*truth)(const bench::Truth&) = nullptr;
        double unsafe = 0.0;    ///< beyond its trip by all that uncertainty and noise may hide
        double possible = 0.0;  ///< from here on a trip is no false one
        std::vector<std::size_t> sensors;
        double most_s = 0.0, most_blind_s = 0.0;  ///< what `check` states; and while a sensor of it is silent
        double since_s = -1.0, longest_s = 0.0;
        /// How long it may be unsafe until the second opinion stands against a permit; none: it has no such bound.
        std::optional<double> objected_s{};
        double raw_since_s = -1.0;
        double beyond_s = -1e9, shown_s = -1e9;  ///< last time that it was so, and that a reading said so
    };
    /// Of one sensor: when its word was last untrue.
    struct Lies {
        double began_s = -1e9, last_s = -1e9;
        double lasts_s = 0.0;  ///< its last word may stand for so long, and its recovery take
    };

    void add(std::string_view limit, double (*truth)(const bench::Truth&), double unsafe, double possible,
             std::vector<const char*> sensors);
    void note_truth();
    void account(const core::Event& event);
    void judge_memory();
    void judge_decision();
    void judge_line();
    void judge_dangers();
    void judge_blind();
    void judge_contacts();
    void judge_commissioning(const std::vector<core::Scan>& scans);
    void judge_readings();
    void judge_reasons();
    void judge_weather();
    void judge_second_opinion(const std::vector<core::Scan>& scans);
    void fair_trip(const core::Event& event);

    [[nodiscard]] std::size_t sensor(std::string_view id) const;
    [[nodiscard]] bool lied(std::size_t sensor, double since_s) const;
    [[nodiscard]] bool lied_any(const std::vector<std::size_t>& sensors, double since_s) const;
    [[nodiscard]] bool comes_into_force(const core::LimitPlan& limit, double since_s) const;
    [[nodiscard]] bool explained(core::SourceIndex source, double since_s) const;
    [[nodiscard]] std::string cause_amiss(core::SourceIndex source, const core::Cause& cause) const;
    /// Since when all is read anew: a start, or the end of a sleep.
    [[nodiscard]] double began_s() const noexcept { return std::max(started_s_, slept_s_); }
    [[nodiscard]] double seconds_ago(core::Instant at) const;
    [[nodiscard]] std::string_view id_of(core::SourceIndex source) const;
    [[nodiscard]] const core::Snapshot& seen() const { return daemon_.snapshot(); }
    [[nodiscard]] bool has(core::Builtin builtin) const;

    const Options& options_;
    const formats::Configuration& configuration_;
    World& world_;
    const Daemon& daemon_;
    second_opinion::Monitor second_opinion_;
    std::vector<Guarded> guarded_;
    std::vector<Lies> lies_;
    std::vector<std::uint8_t> active_, latched_, told_;
    core::Memory last_, durable_;  ///< the memory of the last step, and as it was when all was saved
    bool start_saved_ = false, saved_ = false, released_ = false, reset_ = false, commissioned_ = false,
         caused_ = false, permitted_ = false;
    bool permit_ = false, on_air_ = false, held_ = false;
    bool noted_ = false, supplied_ = false, told_closed_ = false;
    bool stepped_ = false;  ///< since the last start
    bool woken_ = false;    ///< the next step is the first after a sleep
    bool dropped_ = false;  ///< the contactor has opened, and no operator has reset anything since
    std::uint64_t last_number_ = 0, cycles_ = 0, objections_ = 0, objections_due_ = 0;
    double started_s_ = 0.0, permit_s_ = 0.0, fair_s_ = 0.0, fair_permit_s_ = 0.0, fair_since_s_ = -1.0,
           longest_wait_s_ = 0.0, weld_since_s_ = -1.0, longest_weld_s_ = 0.0, blind_since_s_ = -1.0,
           untold_since_s_ = -1.0, drive_seen_s_ = -1e9, supply_changed_s_ = -1e9, slept_s_ = -1e9,
           unopened_since_s_ = -1.0, silent_drive_s_ = -1e9, apart_since_s_ = -1.0, left_s_ = -1.0,
           commissioning_s_ = -1e9, wire_read_s_ = -1e9;
    bool commissioning_ = false, ordered_ = false;
    std::array<bench::Truth, 4> truths_{};  ///< of the last steps
    std::size_t steps_ = 0;
    std::uint64_t permits_ = 0, resets_ = 0, warnings_ = 0, starts_ = 0, unclean_ = 0, transmissions_ = 0,
                  holds_kept_ = 0, latches_kept_ = 0, reasons_ = 0, readings_ = 0;
    int failures_ = 0;
};

}  // namespace dekeyd::soak
