// Protection: the one entry of core. Scans and commands in; a decision, events and a snapshot out.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "core/interlock.hpp"
#include "core/limit.hpp"
#include "core/plan.hpp"
#include "core/reading.hpp"
#include "core/scan.hpp"

namespace dekeyd::core {

/// Causes that need no configuration. Sources after the limits and the channels.
enum class Builtin : std::uint8_t {
    overrun,                    ///< the guard missed its own deadline several times running
    line_mismatch,              ///< the line's read-back is not what was written
    rf_while_inhibited,         ///< RF in conversions begun after the release time
    reflected_exceeds_forward,  ///< swapped cables, a dead forward detector
    count_,
};
inline constexpr std::size_t builtin_count = static_cast<std::size_t>(Builtin::count_);

/// What the line driver saw when it read the pad back, after the last write or in the last second.
struct LineState {
    bool known = false;   ///< read-back worked
    bool permit = false;  ///< its level means permit
};

struct StepInput {
    Instant now{};
    std::span<const Scan> scans;        ///< in the order of arrival
    std::span<const Command> commands;
    LineState line;
};

struct Decision {
    bool permit = false;
    Instant wake_at{};  ///< call again no later than this, scans or not
};

/// What a channel has done since start; faults with RF present and absent apart, since RF in a cable shows so.
struct ChannelCount {
    std::uint64_t good_keyed = 0, good_idle = 0, faults_keyed = 0, faults_idle = 0;
    Fault last_fault = Fault::none;
};

/// Everything a reader outside may show. Sized once; copying between equals allocates nothing.
struct Snapshot {
    std::uint64_t sequence = 0;
    Instant now{};
    bool permit = false;
    State state = State::starting;
    bool rf_present = false;
    std::vector<Reading> quantities;   ///< channels, then Derived
    std::vector<Cause> causes;         ///< limits, channels, Builtin
    std::vector<std::uint8_t> warnings;  ///< per limit: 1 while its warning stands
    std::vector<ChannelCount> channels;
    Memory memory;
    Instant settled_since{};
    std::uint64_t overruns = 0;
    std::uint64_t events_dropped = 0;
};

/// Id and words of a source: a limit's id, a channel's id, or a built-in's.
struct SourceInfo {
    std::string_view id;
    std::string_view name;
    enum class Kind : std::uint8_t { limit, channel, builtin } kind = Kind::builtin;
    std::uint16_t index = 0;  ///< within its kind
};
SourceInfo describe_source(const Plan& plan, SourceIndex source) noexcept;
std::size_t source_count(const Plan& plan) noexcept;
SourceIndex source_of(const Plan& plan, Builtin builtin) noexcept;

class Protection {
public:
    /// `plan` must outlive this. Throws std::invalid_argument when indices in it don't fit (a bug of the caller's).
    Protection(const Plan& plan, Memory memory, bool unclean_start);

    /// One decision. No throw, no allocation, no clock. Equal inputs give equal outputs, bit for bit.
    Decision step(const StepInput& input) noexcept;

    [[nodiscard]] std::span<const Event> events() const noexcept { return events_.all(); }
    [[nodiscard]] const Snapshot& snapshot() const noexcept { return snapshot_; }
    /// A copy of the plan-sized, empty snapshot, for readers' buffers.
    [[nodiscard]] static Snapshot blank(const Plan& plan);

private:
    struct ChannelState {
        Reading last_good;         ///< moved only by a successful reading
        Fault fault = Fault::never_read;
        bool news = false;         ///< a sample for it came in this step
        bool lost = true;
        double candidate = 0.0;    ///< a jump that waits for its second reading
        Instant candidate_at{};
        bool has_candidate = false;
        Instant unchanged_since{};
        std::uint32_t openings = 0;
        bool opened = false;       ///< an opening since the last scan
    };

    void absorb(const Scan& scan, Instant now) noexcept;
    void take(std::uint16_t channel, const Sample& sample, Instant now) noexcept;
    bool believable(std::uint16_t channel, double value, Instant begun) noexcept;
    Reading convert(const Channel& channel, double sample, Instant begun) const noexcept;
    void derive(const Scan& scan) noexcept;
    void age(Instant now) noexcept;
    void judge_limits(Instant now, bool all) noexcept;
    void judge_channels() noexcept;
    void judge_builtins(const StepInput& input) noexcept;
    void warn(Instant now) noexcept;
    void fold(std::size_t source, Condition condition) noexcept;
    void publish(const StepInput& input, const Decision& decision) noexcept;
    [[nodiscard]] bool rf_absent() const noexcept;
    [[nodiscard]] const Reading& quantity(QuantityIndex index) const noexcept { return snapshot_.quantities[index]; }

    const Plan& plan_;
    std::vector<ChannelState> channels_;
    std::vector<QualifyTimer> timers_;
    std::vector<Condition> conditions_;
    Interlock interlock_;
    EventList events_;
    Snapshot snapshot_;
    Instant last_step_{};
    Instant inhibited_since_{};
    std::uint32_t overruns_running_ = 0;
    bool stepped_ = false;
};

}  // namespace dekeyd::core
