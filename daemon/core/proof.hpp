// The proof test: the line driven both ways, and each limit forced in turn, with no RF and under a local hold.
//
// It never touches the interlock's own causes but to make one worse: a forced limit really trips, and really latches.
// The line goes to permit only inside its two parts, for a short time, and only while nothing but the local hold
// stands, RF is measured absent, and drive is measured absent or the supply contactor is open. Anything else ends it.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "core/interlock.hpp"
#include "core/limit.hpp"
#include "core/supervision.hpp"
#include "plan/enum_words.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

enum class ProofPhase : std::uint8_t {
    none,
    ready,  ///< begun; the line is at inhibit and nothing is forced
    line,   ///< the line goes to permit and back
    limit,  ///< a limit is forced
};
inline constexpr Words<ProofPhase::limit> proof_phase_words{"none", "ready", "line", "limit"};
inline std::string_view text(ProofPhase value) noexcept {
    return proof_phase_words.of(value);
}

/// What a reader outside may show of it.
struct ProofView {
    ProofPhase phase = ProofPhase::none;
    std::uint16_t limit = 0;   ///< phase limit: which
    bool injects = false;      ///< a reading is being made worse just now
    double injected = 0.0;     ///< that reading
    bool line_proved = false;  ///< in this test

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.phase, self.limit, self.injects, self.injected, self.line_proved);
    }
};

/// The worse of a look and what is injected beside it. No look stays no look.
constexpr Verdict worsened(Verdict truth, Verdict injected) noexcept {
    if (truth == Verdict::missed || injected == Verdict::missed) return truth;
    return truth > injected ? truth : injected;
}

/// A good reading just beyond the limit's trip level.
Reading injected_reading(const LimitPlan& limit, Instant now) noexcept;

/// The test as of one step, after the interlock.
struct ProofInput {
    Instant now{};
    LineState line;
    bool commissioning = false;
    bool held = false;            ///< a local hold stands
    bool only_held = false;       ///< ... and nothing else
    bool rf_absent = false;       ///< measured
    bool no_drive = false;        ///< measured absent; not measured: there is a contactor to open, and it is seen
    bool contactor_open = false;  ///< seen, and for as long as the supply takes to fall
    const Reading* enable_sense = nullptr;
    std::span<const Cause> causes;
    Instant limit_due = Instant::max();  ///< when the forced limit trips by time alone
};

class Proof {
public:
    static constexpr Duration life = std::chrono::minutes{10};  ///< without an order, where nothing is forced
    static constexpr Duration longest_injection = std::chrono::seconds{60};
    static constexpr Duration longest_permit = std::chrono::seconds{5};
    static constexpr Duration pulse = std::chrono::seconds{2};  ///< for a person to see, where no sense input does
    static constexpr Duration lead = std::chrono::milliseconds{250};  ///< at permit so long before a limit trips
    static constexpr Duration answer_time = std::chrono::seconds{1};  ///< for the line's or the contact's read-back

    explicit Proof(const Plan& plan);

    /// Returns whether the line goes to permit for the test. No order does so in its own step.
    bool step(const ProofInput& input, std::span<const Command> commands, EventList& events) noexcept;

    [[nodiscard]] bool running() const noexcept { return phase_ != ProofPhase::none; }
    /// This limit's readings are made worse.
    [[nodiscard]] bool injects(std::size_t limit) const noexcept { return injecting_ && limit == limit_; }
    /// The limit that is forced, until it has cleared again: its trip is the test's doing; or no_source.
    [[nodiscard]] SourceIndex forced() const noexcept { return running() && forced_ ? limit_ : no_source; }
    /// The supply contactor is kept open, for drive is not measured.
    [[nodiscard]] bool opens_contactor() const noexcept { return running() && !plan_.roles.drive; }
    [[nodiscard]] Instant due(Instant now, Instant limit_due) const noexcept;
    [[nodiscard]] ProofView view() const noexcept;
    /// Whether a limit can be proved: it trips, within the longest injection.
    [[nodiscard]] static bool provable(const LimitPlan& limit) noexcept;

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.phase_, self.stage_, self.permit_, self.injecting_, self.forced_, self.seen_up_, self.line_proved_,
          self.limit_, self.command_, self.at_, self.changed_, self.heard_, self.times_.line_on, self.times_.line_off,
          self.times_.contact_on, self.times_.contact_off);
    }
    /// After a state was taken up: a test of a limit that this plan doesn't have is over.
    void mend() noexcept;
    [[nodiscard]] std::uint8_t& proved(std::size_t limit) noexcept { return proved_[limit]; }
    [[nodiscard]] const std::uint8_t& proved(std::size_t limit) const noexcept { return proved_[limit]; }

private:
    enum class Stage : std::uint8_t { raise, up, lower };

    void watch(const ProofInput& in, EventList& events) noexcept;
    void drive_line(const ProofInput& in, EventList& events) noexcept;
    void force_limit(const ProofInput& in, EventList& events) noexcept;
    void obey(const ProofInput& in, const Command& command, EventList& events) noexcept;
    void begin_part(ProofPhase phase, const Command& command) noexcept;
    void end_part(Instant now, EventKind kind, ProofEnd why, EventList& events) noexcept;
    void end(Instant now, ProofEnd why, SourceIndex source, EventList& events) noexcept;
    void answer(Instant now, EventKind kind, const Command& command, ProofEnd why, SourceIndex source,
                EventList& events) const noexcept;
    [[nodiscard]] ProofEnd against(const ProofInput& in) const noexcept;
    [[nodiscard]] SourceIndex other_cause(const ProofInput& in) const noexcept;
    [[nodiscard]] bool safe(const ProofInput& in) const noexcept;
    [[nodiscard]] SourceIndex unproved() const noexcept;

    const Plan& plan_;
    std::vector<std::uint8_t> proved_;  ///< per limit, in this test
    ProofPhase phase_ = ProofPhase::none;
    Stage stage_ = Stage::raise;
    bool permit_ = false;
    bool injecting_ = false;
    bool forced_ = false;   ///< limit_ was forced, and hasn't been seen clear since
    bool seen_up_ = false;  ///< the line was read back at permit in this part
    bool line_proved_ = false;
    std::uint16_t limit_ = 0;
    std::uint32_t command_ = 0;  ///< whose answer this part's end is
    Instant at_{};               ///< of this part: when the permit was asked for; a limit's: when the injection began
    Instant changed_{};          ///< of the stage
    Instant heard_{};            ///< last order
    ProofTimes times_{};
};

/// How long RF lasts after the permit is taken away: measured at each de-key under RF.
class ReleaseWatch {
public:
    void step(Instant now, bool permit, bool rf_present, bool rf_absent, const Reading* forward) noexcept;
    [[nodiscard]] const std::optional<Duration>& last() const noexcept { return last_; }

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.permit_, self.since_, self.last_);
    }

private:
    bool permit_ = false;
    std::optional<Instant> since_;
    std::optional<Duration> last_;
};

}  // namespace dekeyd::core
