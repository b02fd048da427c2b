// Supervision: causes that need no limit. Is the line obeyed, do the measurements contradict each other, does the
// guard keep its own time? Judged once a step, after the scans.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

#include "core/limit.hpp"
#include "measure/derived.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/sources.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

/// What the line driver saw when it read the pad back, after the last write or in the last second.
struct LineState {
    bool known = false;   ///< read-back worked
    bool permit = false;  ///< its level means permit
};

/// The amplifier as of this step. A pointer is empty where the quantity isn't measured at all.
struct Situation {
    Instant now{};
    bool permit = false;  ///< what the line was last told
    bool starting = true;
    LineState line;
    LineState contactor_line{};
    const Reading* forward = nullptr;
    const Reading* reflected = nullptr;
    const Reading* drive = nullptr;
    const Reading* current = nullptr;
    const Reading* heatsink = nullptr;
    const Reading* enable_sense = nullptr;
    const Reading* contactor_sense = nullptr;
    const Reading* dc_power = nullptr;
    const Reading* heat = nullptr;
    bool ratios_measurable = false;  ///< RF stood around the last reflected reading
    bool commissioning = false;
    bool drop_supply = false;    ///< a proof test keeps the supply contactor open
    bool start_noted = false;    ///< the storage has taken this start, since the last step
    bool objected = false;       ///< the second opinion took the last permit away
    bool suspended = false;      ///< the machine slept since the last step
    bool alarm_latched = false;  ///< what opens the contactor waits for an operator's reset
    std::optional<Instant> transmitting_since;
};

class Supervision {
public:
    /// `start_noted`: true if there is no storage that must first take this start.
    explicit Supervision(const Plan& plan, bool start_noted = true) noexcept;

    /// One condition per built-in source. reflected_exceeds_forward is judged with the scans, and is missed here
    /// unless it can't apply.
    const std::array<Condition, builtin_count>& judge(const Situation& s) noexcept;

    /// What the second line is to do. Opens at once; closes only with the line read back inhibited, no RF, and its
    /// contacts seen open where they are.
    [[nodiscard]] bool contactor_closed() const noexcept { return contactor_closed_; }
    [[nodiscard]] bool supplied(Instant now) const noexcept;
    /// Its contacts are seen open, and the supply has had the time to fall. Never where nothing sees them.
    [[nodiscard]] bool unsupplied(Instant now) const noexcept;
    [[nodiscard]] std::uint64_t overruns() const noexcept { return overruns_; }
    /// For captures; a state of before has none.
    [[nodiscard]] std::optional<Instant>& forward_seen() noexcept { return forward_seen_; }
    [[nodiscard]] const std::optional<Instant>& forward_seen() const noexcept { return forward_seen_; }

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.enable_, self.rf_, self.drive_, self.current_, self.efficiency_, self.floor_, self.heat_, self.stepped_,
          self.permit_, self.contactor_closed_, self.contactor_changed_, self.last_, self.permit_changed_,
          self.seen_open_, self.disobeys_since_, self.overruns_, self.overruns_running_, self.heating_, self.rested_,
          self.heat_changed_, self.heating_from_c_, self.start_noted_);
    }

    /// The same as captures of format 1 have it.
    struct Format1 {
        Supervision& of;
        template <class Archive, class Self>
        static void fields(Archive& a, Self& self) {
            std::array<Condition, 16> conditions{};
            std::optional<Instant> link_heard;
            Supervision& s = self.of;
            a(conditions, s.enable_, s.rf_, s.drive_, s.current_, s.efficiency_, s.floor_, s.heat_, s.stepped_,
              s.permit_, s.contactor_closed_, s.contactor_changed_, s.last_, s.permit_changed_, s.overruns_,
              s.overruns_running_, link_heard, s.heating_, s.rested_, s.heat_changed_, s.heating_from_c_,
              s.start_noted_);
        }
    };

private:
    [[nodiscard]] Condition overrun(const Situation& s) noexcept;
    [[nodiscard]] Verdict enable(const Situation& s) const noexcept;
    [[nodiscard]] Verdict rf_while_inhibited(const Situation& s) const noexcept;
    [[nodiscard]] Verdict drive_without_forward(const Situation& s) const noexcept;
    [[nodiscard]] Verdict current_without_forward(const Situation& s) const noexcept;
    [[nodiscard]] Verdict rf_without_current(const Situation& s) const noexcept;
    [[nodiscard]] Verdict reflected_on_floor(const Situation& s) const noexcept;
    [[nodiscard]] Verdict heat_without_rise(const Situation& s) noexcept;
    [[nodiscard]] Condition longest_transmission(const Situation& s) const noexcept;
    [[nodiscard]] Condition uncalibrated(const Situation& s) const noexcept;
    [[nodiscard]] Condition contactor_line(const Situation& s) const noexcept;
    void see_contactor(const Situation& s) noexcept;
    [[nodiscard]] Condition contactor(const Situation& s) noexcept;
    [[nodiscard]] bool settled(const Situation& s) const noexcept;
    [[nodiscard]] RfLook rf(const Situation& s) const noexcept;
    [[nodiscard]] bool forward_absent(const Situation& s) const noexcept;
    void set(Builtin which, Condition condition) noexcept { conditions_[static_cast<std::size_t>(which)] = condition; }
    [[nodiscard]] Condition get(Builtin which) const noexcept { return conditions_[static_cast<std::size_t>(which)]; }

    const Plan& plan_;
    std::array<Condition, builtin_count> conditions_{};  ///< of this step alone
    QualifyTimer enable_, rf_, drive_, current_, efficiency_, floor_, heat_;
    bool calibration_pending_;  ///< of any channel: the plan's, not of the state
    bool stepped_ = false;
    bool permit_ = false;
    bool contactor_closed_ = false;
    Instant contactor_changed_{};
    std::optional<Instant> seen_open_;       ///< its contacts, since it was told to open
    std::optional<Instant> disobeys_since_;  ///< the first look, since its order, in which they contradict it
    Instant last_{};
    Instant permit_changed_{};             ///< last change of permit
    std::optional<Instant> forward_seen_;  ///< the last look in which forward saw RF
    std::uint64_t overruns_ = 0;
    std::uint32_t overruns_running_ = 0;
    // Heat with no rise: since when it heats or rests, and the temperature when heating began.
    bool heating_ = false;
    bool rested_ = false;  ///< it had rested long enough before this heating
    std::optional<Instant> heat_changed_;
    double heating_from_c_ = 0.0;
    bool start_noted_;
};

}  // namespace dekeyd::core
