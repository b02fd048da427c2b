#include "guard/guard.hpp"

#include <sched.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <system_error>
#include <utility>

#include "base/wall_clock.hpp"
#include "messages/control.hpp"
#include "second_opinion/scans.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

namespace {

/// At real-time priority a time that always lies in the past would take the whole processor.
constexpr core::Duration shortest_wait = 500us;
constexpr core::Duration write_retry = 2ms;
constexpr std::size_t most_scans = 128;
constexpr std::size_t most_commands = 16;
constexpr core::Duration first_retry = 250ms, last_retry = 8s;

thread_local const Guard* guard_of_this_thread = nullptr;

}  // namespace

Guard::Guard(core::Duration period, Wake& wake, GuardPorts ports)
    : period_{period}, wake_{wake}, ports_{std::move(ports)}, taken_(ports_.scans.size(), 0) {
    scans_.reserve(most_scans);
    commands_.reserve(most_commands);
}

// ---- before the first decision ---------------------------------------------------------------------------------

void Guard::run(const OpenLines& open, const Complain& complain) {
    guard_of_this_thread = this;
    // Of its own from here on: a thread of ours that is stuck in the kernel then can't keep the line open.
    if (::unshare(CLONE_FILES) != 0) throw std::system_error{errno, std::generic_category(), "unshare(CLONE_FILES)"};
    if (!wait_for_line(open, complain)) return;
    while (!leave_.load(std::memory_order_acquire)) {
        const core::Instant now = monotonic_now();
        core::Instant until = now + period_;
        if (stop_.load(std::memory_order_acquire)) {
            until = now + (stop_cycle(now) ? LineKeeper::look_interval : write_retry);
        } else if (ready_.load(std::memory_order_acquire)) {
            until = cycle(now, time_asleep());
        }
        wake_.wait(until);
    }
}

bool Guard::wait_for_line(const OpenLines& open, const Complain& complain) {
    core::Duration retry = first_retry;
    while (!stop_.load() && !leave_.load()) {
        try {
            take_lines(open());
            return true;
        } catch (const drivers::LineError& error) {
            complain(error);
        }
        const core::Instant again = monotonic_now() + retry;
        while (monotonic_now() < again && !stop_.load() && !leave_.load()) wake_.wait(again);
        retry = std::min(retry * 2, last_retry);
    }
    inhibited_.store(true, std::memory_order_release);  // what we don't hold we don't permit
    return false;
}

void Guard::take_lines(Lines lines) {
    line_text_ = lines.line->describe();
    if (lines.contactor) contactor_.emplace(std::move(lines.contactor));
    dynamic_permit_ = std::move(lines.dynamic_permit);
    line_.emplace(std::move(lines.line));
    if (contactor_) contactor_->force_inhibit(monotonic_now());
    line_->force_inhibit(monotonic_now());
    armed_.store(true, std::memory_order_release);
}

void Guard::begin(std::unique_ptr<core::Protection> protection, second_opinion::Monitor second_opinion) {
    protection_ = std::move(protection);
    second_opinion_ = std::move(second_opinion);
    ready_.store(true, std::memory_order_release);
    wake_.ring();
}

// ---- each decision ---------------------------------------------------------------------------------------------

/// Since the last decision. The clocks' difference only grows; a look that was interrupted may read it too small.
core::Duration Guard::suspended(core::Duration asleep) noexcept {
    const core::Duration before = asleep_.value_or(asleep);
    asleep_ = std::max(before, asleep);
    return *asleep_ - before;
}

core::Instant Guard::cycle(core::Instant now, core::Duration asleep) noexcept {
    collect_scans();
    collect_commands(now);
    line_->look(now);
    if (contactor_) contactor_->look(now);
    const core::StepInput input{.now = now,
                                .scans = scans_,
                                .commands = commands_,
                                .line = line_->state(),
                                .suspended = suspended(asleep),
                                .contactor = contactor_ ? contactor_->state() : core::LineState{}};
    const core::Decision decision = protection_->step(input);
    for (const core::Scan& scan : scans_) second_opinion::show(second_opinion_, scan, now);
    second_opinion_.supply(!contactor_ || contactor_->permits(), now.time_since_epoch());
    // It can only take a permit away. The protection hears of it in its next step, as a command in the step queue, and
    // latches.
    objection_ = second_opinion_.against(decision.permit, now.time_since_epoch());
    const bool permit = decision.permit && !objection_;
    const bool taken = put_lines(decision, permit, now);
    if (!taken) failed_writes_.fetch_add(1, std::memory_order_relaxed);
    permits_.store(line_->permits(), std::memory_order_release);
    // What wanted to inhibit and couldn't isn't a completed cycle: the watchdog isn't served with it.
    if (!refuses_inhibit()) cycles_.fetch_add(1, std::memory_order_release);
    if (ports_.step_queue != nullptr) ports_.step_queue->record(input, decision);
    // A scan's decision is the period's as well: what the period is for is silence.
    if (!scans_.empty()) next_period_ = now + period_;
    give_back();
    for (Outlet* outlet : ports_.outlets) {
        for (const core::Event& event : protection_->events()) outlet->events.push(event);
    }
    publish_snapshot(now);

    while (next_period_ <= now) next_period_ = std::max(next_period_ + period_, now + period_ / 2);
    if (!taken) return now + write_retry;
    if (more_ || objection_) return now + shortest_wait;
    core::Instant next = std::min({decision.wake_at, next_period_, line_->next_look()});
    if (contactor_) next = std::min(next, contactor_->next_look());
    return std::max(next, now + shortest_wait);
}

bool Guard::put_lines(const core::Decision& decision, bool permit, core::Instant now) noexcept {
    // A stop that was asked for meanwhile wins; run() then writes inhibit for good.
    permit = permit && !stop_.load(std::memory_order_acquire);
    // The contactor closes before a permit and opens after an inhibit.
    bool taken = !contactor_ || !decision.contactor || contactor_->put(true, now);
    taken = line_->put(permit, now) && taken;
    toggle(permit);
    if (contactor_ && !decision.contactor) taken = contactor_->put(false, now) && taken;
    return taken;
}

bool Guard::refuses_inhibit() const noexcept {
    return line_->refuses_inhibit() || (contactor_ && contactor_->refuses_inhibit());
}

// A charge pump behind this line holds the permit only while it moves, so that an end of the decisions, with
// the static line left at permit, ends it. It rests at inhibit.
void Guard::toggle(bool permit) noexcept {
    if (!dynamic_permit_ || (!permit && !toggled_)) return;
    const bool level = permit && !toggled_;
    if (dynamic_permit_->write(level))
        toggled_ = level;
    else
        toggled_ = true;  // not known: written again at the next decision
}

// The earliest first, of all buses.
void Guard::collect_scans() noexcept {
    scans_.clear();
    more_ = false;
    while (true) {
        const ScanBuffer* earliest = nullptr;
        std::size_t sampler{};
        for (std::size_t i = 0; i < ports_.scans.size(); ++i) {
            const ScanBuffer* buffer = ports_.scans[i]->peek(taken_[i]);
            if (buffer == nullptr || (earliest != nullptr && buffer->finished >= earliest->finished)) continue;
            earliest = buffer;
            sampler = i;
        }
        if (earliest == nullptr) return;
        if (scans_.size() == scans_.capacity()) {
            more_ = true;
            return;
        }
        scans_.push_back({.sampler = static_cast<std::uint16_t>(sampler), .samples = earliest->samples});
        ++taken_[sampler];
    }
}

void Guard::collect_commands(core::Instant now) noexcept {
    commands_.clear();
    if (objection_) {
        commands_.push_back({.kind = core::CommandKind::objected, .origin = core::Origin::none, .limit = *objection_});
    }
    for (Ring<core::Command>* ring : ports_.commands) {
        while (commands_.size() < commands_.capacity()) {
            const core::Command* command = ring->front();
            if (command == nullptr) break;
            const bool is_void =
                command->kind != core::CommandKind::hold && now - command->arrived >= formats::command_life;
            if (!is_void) commands_.push_back(*command);
            ring->pop();
        }
    }
}

void Guard::give_back() noexcept {
    for (std::size_t i = 0; i < taken_.size(); ++i) {
        for (; taken_[i] > 0; --taken_[i]) ports_.scans[i]->pop();
    }
}

void Guard::publish_snapshot(core::Instant now) noexcept {
    std::uint64_t lost_scans = 0;
    for (const ScanRing* ring : ports_.scans) lost_scans += ring->refused();
    const bool refuses = line_->refuses_inhibit();
    const bool shown = line_->permits() || refuses;  // unknown is shown as the unsafe one
    // A state changes with an event.
    const bool changed = shown != shown_permit_ || !protection_->events().empty();
    shown_permit_ = shown;
    for (Outlet* outlet : ports_.outlets) {
        if (!changed && now < outlet->next_snapshot) continue;
        outlet->next_snapshot = now + outlet->pace;
        core::Snapshot& draft = outlet->snapshot.draft();
        draft = protection_->snapshot();  // equal sizes: no allocation
        draft.line_refuses = refuses;
        draft.permit = shown;
        draft.overruns += lost_scans;
        draft.events_dropped += outlet->events.refused();
        outlet->snapshot.publish();
        // Values can wait for the reader's next look of its own. To wake it costs the guard more than to decide.
        if (outlet->reader != nullptr && !protection_->events().empty()) outlet->reader->ring();
    }
}

// ---- the end ---------------------------------------------------------------------------------------------------

void Guard::ask_to_inhibit() noexcept {
    stop_.store(true, std::memory_order_release);
    wake_.ring();
}

void Guard::leave() noexcept {
    leave_.store(true, std::memory_order_release);
    wake_.ring();
}

bool Guard::stop_cycle(core::Instant now) noexcept {
    const bool done = line_->force_inhibit(now);
    if (contactor_) contactor_->force_inhibit(now);
    toggle(false);
    permits_.store(false, std::memory_order_release);
    if (!done) failed_writes_.fetch_add(1, std::memory_order_relaxed);
    if (ready_.load(std::memory_order_acquire)) publish_snapshot(now);
    if (done) inhibited_.store(true, std::memory_order_release);
    return done;
}

bool Guard::is_mine() const noexcept {
    return guard_of_this_thread == this;
}

void Guard::inhibit_now() noexcept {
    if (line_) line_->force_inhibit({});
    if (contactor_) contactor_->force_inhibit({});
    toggle(false);
    inhibited_.store(true, std::memory_order_release);
}

}  // namespace dekeyd
