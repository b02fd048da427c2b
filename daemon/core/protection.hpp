// Protection: the one entry of core. Scans and commands in; a decision, events and a snapshot out.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "core/interlock.hpp"
#include "core/limit.hpp"
#include "core/limits.hpp"
#include "core/proof.hpp"
#include "core/supervision.hpp"
#include "core/transmission.hpp"
#include "measure/measurement.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/scan.hpp"
#include "plan/sources.hpp"

namespace dekeyd::core {

struct StepInput {
    Instant now{};
    std::span<const Scan> scans;  ///< in the order of arrival
    std::span<const Command> commands;
    LineState line;
    Duration suspended{};   ///< the machine slept so long since the step before; `now` doesn't have it
    LineState contactor{};  ///< the contactor's pad, where there is one: permit means closed
};

struct Decision {
    bool permit = false;
    bool contactor = false;  ///< close the supply contactor, where there is one
    Instant wake_at{};       ///< call again no later than this, scans or not
};

/// Everything a reader outside may show. Sized once; copying between equals allocates nothing.
struct Snapshot {
    std::uint64_t sequence = 0;
    Instant now{};
    bool permit = false;
    bool line_refuses = false;  ///< the kernel refused the last inhibit: permit is unknown, and shown as standing
    State state = State::starting;
    bool rf_present = false;
    bool monitor_only = false;  ///< permit is never driven; `state` says what it would be
    bool contactor_closed = false;
    ProofView proof;                  ///< a test that is running; permit may then stand beside a hold
    std::optional<Duration> release;  ///< how long RF lasted after the last de-key under RF
    std::optional<Instant> transmitting_since;
    std::optional<Instant> commissioning_until;
    std::vector<Reading> quantities;     ///< channels, then Derived
    std::vector<Cause> causes;           ///< limits, channels, Builtin
    std::vector<std::uint8_t> warnings;  ///< per limit: 1 while its warning stands
    std::vector<Standing> standing;      ///< per limit: whether it watches
    std::vector<ChannelCount> channels;
    Memory memory;
    bool drive_awaited = false;  ///< nothing but drive stands against a permit
    Instant settled_since{};
    std::uint64_t overruns = 0;
    std::uint64_t events_dropped = 0;

    /// All readings of the step at `at`, for what is said of its events; none where this is another step's snapshot.
    [[nodiscard]] std::span<const Reading> quantities_at(Instant at) const noexcept {
        return now == at ? std::span<const Reading>{quantities} : std::span<const Reading>{};
    }

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.sequence, self.now, self.permit, self.line_refuses, self.state, self.rf_present, self.monitor_only,
          self.contactor_closed, self.proof, self.release, self.transmitting_since, self.commissioning_until,
          self.quantities, self.causes, self.warnings, self.standing, self.channels, self.memory, self.drive_awaited,
          self.settled_since, self.overruns, self.events_dropped);
    }
};

class Protection {
public:
    /// `plan` must outlive this. Throws std::invalid_argument when indices in it don't fit (a bug of the caller's).
    /// `start_noted` false: no permit before a command `noted` says that the storage has memory() and this start.
    Protection(const Plan& plan, Memory memory, bool unclean_start, bool start_noted = true);

    /// One decision. No throw, no allocation, no clock. Equal inputs give equal outputs, bit for bit.
    Decision step(const StepInput& input) noexcept;

    [[nodiscard]] std::span<const Event> events() const noexcept { return events_.all(); }
    /// Of the last step; made when it is asked for.
    [[nodiscard]] const Snapshot& snapshot() noexcept;
    /// What must survive: from the construction on with what this start itself has raised.
    [[nodiscard]] const Memory& memory() const noexcept { return interlock_.memory(); }
    /// A copy of the plan-sized, empty snapshot, for readers' buffers.
    [[nodiscard]] static Snapshot blank(const Plan& plan);

    /// All that later decisions depend on, as lines of words keyed by the ids of channels, quantities and causes.
    /// Not for the guard: it allocates.
    [[nodiscard]] std::string state();
    /// Goes on from a state: exactly, bit for bit, under the plan that it was written under. Under another plan what
    /// has no match there is left out, and a source that the state doesn't know begins as the state's own readings
    /// judge it, and not tripped. False, and this is unusable, when the text is damaged.
    bool take_state(std::string_view text);

private:
    bool take_line(std::string_view key, std::string_view words, std::vector<std::uint8_t>& seen);
    void begin_unseen(const std::vector<std::uint8_t>& seen) noexcept;
    void judge_bracket(Instant now) noexcept;
    void judge_news(Instant now) noexcept;
    void judge_channels() noexcept;
    void supervise(const StepInput& input, bool slept, Instant now) noexcept;
    void commission(std::span<const Command> commands, Instant now) noexcept;
    [[nodiscard]] bool prove(const StepInput& input, Instant now) noexcept;
    [[nodiscard]] Instant forced_due() const noexcept;
    void report_sensors(Instant now) noexcept;
    void fold(std::size_t source, Condition condition) noexcept;
    void fill_in_events(SourceIndex forced, SourceIndex objection, Duration suspended) noexcept;
    void publish() noexcept;
    [[nodiscard]] Limits::Look look(Instant now) const noexcept;
    void report(EventKind kind, SourceIndex source, Instant now) noexcept;

    const Plan& plan_;
    Measurement measurement_;
    std::vector<std::uint8_t> watched_;  ///< per channel: a limit watches it, and so speaks for it
    Limits limits_;
    QualifyTimer reflected_timer_;  ///< reflected at or above forward, where ratios are measurable
    QualifyTimer swapped_timer_;    ///< the same at every power: slower, for an envelope has zeros
    Supervision supervision_;
    std::vector<Condition> conditions_;  ///< per source, worst news of this step
    Interlock interlock_;
    Proof proof_;
    ReleaseWatch release_;
    TransmissionWatch transmission_;
    std::optional<Instant> commissioning_until_;
    EventList events_;
    Snapshot snapshot_;
    bool shown_ = true;  ///< snapshot_ is of the last step
    Instant last_step_{};
    std::optional<Instant> began_;  ///< the first step; a capture's state that doesn't know it has none
    bool unclean_start_;
    bool permit_ = false;      ///< what was decided last
    bool measurable_ = false;  ///< the last bracket's ratios
    bool stepped_ = false;
};

}  // namespace dekeyd::core
