#include "guard/service.hpp"

#include <fmt/format.h>

#include <array>
#include <atomic>
#include <dekeyd_version.hpp>
#include <deque>
#include <memory>
#include <string_view>
#include <system_error>
#include <vector>

#include "base/exit_codes.hpp"
#include "base/last_resort.hpp"
#include "base/log.hpp"
#include "base/process_setup.hpp"
#include "base/service_manager.hpp"
#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "configuration/raw_bounds.hpp"
#include "control/journal_feed.hpp"
#include "control/socket.hpp"
#include "core/protection.hpp"
#include "drivers/line.hpp"
#include "guard/devices.hpp"
#include "guard/event_log.hpp"
#include "guard/guard.hpp"
#include "guard/own_folders.hpp"
#include "guard/run_folder.hpp"
#include "guard/sampler.hpp"
#include "guard/stop_signals.hpp"
#include "recording/history_writer.hpp"
#include "recording/journal_writer.hpp"
#include "recording/state_keeper.hpp"
#include "store/proof_record.hpp"
#include "store/state_slots.hpp"
#include "words/reason.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

namespace {

constexpr int guard_priority = 20, sampler_priority = 19;
constexpr std::size_t command_places = 32;
constexpr core::Duration watch_every = 250ms;
constexpr core::Duration inhibit_within = 100ms;
// systemd may be told to wait longer; a person who presses Ctrl-C shall not wait.
constexpr core::Duration history_within = 1500ms, journal_within = 2500ms, keeper_within = 3500ms, end_within = 4800ms;

class Service {
public:
    explicit Service(const formats::Configuration& configuration);
    int run();

private:
    bool arm();
    void decide();
    void start_readers();
    void keep_together(Thread& thread) const;
    void watch();
    void look(core::Instant now);
    int stop();
    [[nodiscard]] bool stop_asked() const noexcept { return stop_signal() != 0; }
    [[nodiscard]] formats::StatusContext status_context() const;

    const formats::Configuration& configuration_;
    OwnFolders folders_;
    ServiceManager manager_;
    Wake main_wake_, guard_wake_;
    Outlet for_control_, for_journal_, for_keeper_, for_main_;
    EventLog event_log_;
    Ring<core::Command> local_commands_{command_places}, remote_commands_{command_places}, own_commands_{1};
    std::deque<Sampler> samplers_;
    std::unique_ptr<Guard> guard_;
    StepQueue step_queue_;
    RecordingFeed recording_;
    LatestHistory latest_;
    HistoryState history_state_;
    std::unique_ptr<HistoryWriter> history_writer_;
    StorageState storage_state_;
    std::unique_ptr<StateKeeper> keeper_;
    std::unique_ptr<JournalWriter> journal_writer_;
    ControlSocket control_;
    JournalFeed journal_feed_;
    Thread guard_thread_, control_thread_;
    std::deque<Thread> sampler_threads_;
    std::atomic<bool> realtime_{false}, memory_locked_{false};
    WatchdogRule rule_;
    std::vector<core::Duration> oldest_scans_;
    core::Instant next_words_{}, next_pet_{}, petted_{}, next_proof_look_{};
    RateLimit unpetted_{60s};
    std::uint64_t failed_writes_ = 0;
    RateLimit write_failures_{60s};
    bool ready_told_ = false;
    std::optional<int> processor_ = last_processor();
};

Service::Service(const formats::Configuration& configuration)
    : configuration_{configuration},
      for_control_{configuration.plan, 256, 20ms},                 // a watcher's fastest rate
      for_journal_{configuration.plan, Outlet::event_places, 1s},  // it looks at those of events
      for_keeper_{configuration.plan, 1, watch_every},             // it reads no events, but what changes with them
      for_main_{configuration.plan, 256, watch_every},             // it writes the log
      event_log_{configuration.plan, for_main_, storage_state_.notes},
      control_{configuration, for_control_,   local_commands_, guard_wake_, [this] { return status_context(); },
               &recording_,   &storage_state_},
      journal_feed_{configuration.state_directory + "/journal", storage_state_, control_.wake(),
                    configuration.state_directory + "/captures"},
      oldest_scans_{oldest_scans(configuration.plan)} {
    GuardPorts ports;
    for (BusPlan& bus : make_buses(configuration)) {
        samplers_.emplace_back(std::move(bus), guard_wake_, &monotonic_now);
        ports.scans.push_back(&samplers_.back().scans());
    }
    ports.commands = {&local_commands_, &remote_commands_, &own_commands_};
    ports.outlets = {&for_keeper_, &for_journal_, &for_control_, &for_main_};
    for_main_.reader = &main_wake_;
    ports.step_queue = &step_queue_;
    control_.serve_events(journal_feed_, storage_state_);
    if (configuration.mqtt) {
        control_.serve_telemetry({.commands = &remote_commands_,
                                  .storage = &storage_state_,
                                  .history = &history_state_,
                                  .latest = &latest_,
                                  .user = telemetry_user()},
                                 dekeyd_version);
    }
    guard_ = std::make_unique<Guard>(configuration.guard_period, guard_wake_, std::move(ports));
}

formats::StatusContext Service::status_context() const {
    const core::Instant unsaved_since = storage_state_.unsaved_since.load();
    return {.version = dekeyd_version,
            .line = guard_->line_text(),
            .realtime = realtime_.load(),
            .memory_locked = memory_locked_.load(),
            .mqtt = configuration_.mqtt ? std::optional{control_.telemetry()} : std::nullopt,
            .proof = formats::proof_status(storage_state_.proved_at_s.load(), configuration_.proof_every,
                                           wall_stamp(monotonic_now())),
            .kept = kept_status(history_state_),
            .unsaved_s = unsaved_since == core::Instant{}
                             ? std::nullopt
                             : std::optional{core::seconds(monotonic_now() - unsaved_since)}};
}

int Service::run() {
    if (const int code = folders_.lock(configuration_); code != 0) return code;
    if (const std::string text = write_line_files(configuration_); !text.empty()) {
        spdlog::critical("not started: {} (the stop hook must know the line)", text);
        return exit_cannot_create;
    }
    install_last_resort(guard_.get());
    stop_by_signals(*guard_, main_wake_);
    if (arm()) {
        decide();
        start_readers();
        watch();
    }
    return stop();
}

// The line first, at inhibit within the request; nothing else is looked at before.
bool Service::arm() {
    manager_.status("Waiting for the inhibit line.");
    guard_thread_.start("guard", guard_priority, [this] {
        RateLimit complaints{60s};
        guard_->run([this] { return open_lines(configuration_); },
                    [&](const drivers::LineError& error) {
                        if (!complaints.pass(monotonic_now())) return;
                        spdlog::error("not armed: {}; tried again until it works{}", error.what(), complaints.since());
                    });
    });
    realtime_.store(guard_thread_.has_priority());
    keep_together(guard_thread_);
    RateLimit longer{10s};
    while (!guard_->armed() && !stop_asked()) {
        if (longer.pass(monotonic_now())) manager_.wait_longer();
        main_wake_.wait(monotonic_now() + 10ms);
    }
    if (!guard_->armed()) return false;
    spdlog::info("inhibited, and holding the line: {}", guard_->line_text());
    for (const auto& accepted : configuration_.accepted)
        spdlog::warn("the configuration accepts {}: {}", accepted.word, accepted.what);
    return true;
}

/// Those of before, and of what the start itself has raised.
static formats::Notes notes_after_start(const formats::StoredState& stored, const core::Memory& memory) {
    formats::Notes notes = stored.notes;
    const formats::Note now = formats::note_of(wall_stamp(monotonic_now()));
    if (memory.held_remotely && !stored.memory.held_remotely) {
        notes.remote = now;
        notes.remote.at_start = true;
    }
    if (memory.locked_out && !stored.memory.locked_out) notes.lockout = now;
    return notes;
}

void Service::decide() {
    bool unsaved = false;
    const formats::StoredState stored =
        formats::load_state(configuration_.state_directory, configuration_.run_directory, configuration_.plan, unsaved);
    if (stored.memory.first_start) spdlog::warn("first start: latched until an operator's first reset");
    if (unsaved) {
        spdlog::error(
            "the last end left something that the storage hadn't taken: what {}/unsaved has of it stands, and all is "
            "latched until an operator's reset",
            configuration_.run_directory);
    } else if (stored.memory.unreadable) {
        spdlog::error(
            "{}/state can't be read or is damaged: a latch may stand, so all is latched until an operator's "
            "reset",
            configuration_.state_directory);
    }
    if (stored.running) spdlog::warn("the last stop was unclean");
    storage_state_.proved_at_s.store(formats::load_proof(configuration_.state_directory));
    // No permit before the storage has this start: the next one then knows how it ended. The guard doesn't wait for it,
    // and nor does a stop; a storage that never takes it leaves the daemon starting, and saying why.
    auto protection =
        std::make_unique<core::Protection>(configuration_.plan, stored.memory, stored.running, /*start_noted=*/false);
    keeper_ = std::make_unique<StateKeeper>(
        configuration_,
        formats::StoredState{.memory = protection->memory(),
                             .running = true,
                             .sequence = stored.sequence,
                             .notes = notes_after_start(stored, protection->memory())},
        for_keeper_.snapshot, storage_state_,
        StateKeeper::Hooks{.noted =
                               [this] {
                                   own_commands_.push({core::CommandKind::noted, core::Origin::none, 0});
                                   guard_wake_.ring();
                               },
                           .begin = [this] { folders_.tell_who(); }});
    for_keeper_.reader = &keeper_->wake();
    journal_writer_ = std::make_unique<JournalWriter>(configuration_, for_journal_.events, for_journal_.snapshot,
                                                      storage_state_, control_.wake());
    for_journal_.reader = &journal_writer_->wake();
    second_opinion::Monitor second_opinion = formats::second_opinion_of(configuration_);
    spdlog::info("a second opinion has bounds for {} of {} limits", second_opinion.bounds(),
                 configuration_.plan.limits.size());
    guard_->begin(std::move(protection), std::move(second_opinion));
    keeper_->start();
    journal_writer_->start();
    history_writer_ = std::make_unique<HistoryWriter>(
        configuration_, dekeyd_version, stored.memory, stored.running, step_queue_, history_state_,
        [this](const formats::Transmission& t) { journal_writer_->tell_transmission(t); }, &recording_,
        configuration_.mqtt ? &latest_ : nullptr);
    history_writer_->start();
}

// A wake across processors costs several times as much as one on the same: the guard and those whose scans wake it
// share one, and the guard's priority is the higher.
void Service::keep_together(Thread& thread) const {
    const std::optional<int> wanted = configuration_.guard_processor;
    const std::optional<int> processor = wanted ? wanted : processor_;
    if (!processor || thread.keep_on(*processor) || !wanted) return;
    spdlog::warn("guard: cpu: {}: not had; expected real-time priority, and a processor that the service may use",
                 *wanted);
}

void Service::start_readers() {
    bool all_fast = true;
    for (Sampler& sampler : samplers_) {
        const int priority = is_fast(sampler.bus()) ? sampler_priority : Thread::ordinary;
        sampler_threads_.emplace_back().start("bus " + sampler.bus().name, priority, [&sampler] { sampler.run(); });
        all_fast = all_fast && sampler_threads_.back().has_priority();
        if (priority == sampler_priority) keep_together(sampler_threads_.back());
    }
    if (!realtime_.load() || !all_fast) {
        spdlog::warn(
            "no real-time priority: a busy machine may delay a decision; expected LimitRTPRIO=20 in the unit, "
            "or CAP_SYS_NICE");
    }
    if (const std::string text = control_.listen(); !text.empty()) spdlog::error("no socket for clients: {}", text);
    control_thread_.start("control", Thread::ordinary, [this] { control_.run(); });
    journal_feed_.start();
    const std::string why_not = lock_memory();
    memory_locked_.store(why_not.empty());
    if (!why_not.empty()) spdlog::warn("{}", why_not);
}

// ---- running ---------------------------------------------------------------------------------------------------

void Service::watch() {
    next_pet_ = petted_ = monotonic_now();
    while (!stop_asked() && !guard_->stopping()) {
        look(monotonic_now());
        main_wake_.wait(monotonic_now() + watch_every);
    }
}

void Service::look(core::Instant now) {
    if (guard_->cycles() > 0 && !ready_told_) ready_told_ = manager_.ready();
    event_log_.write();
    if (now >= next_words_ && for_main_.snapshot.take()) {
        next_words_ = now + watch_every;
        const core::Snapshot& snapshot = for_main_.snapshot.value();
        manager_.status(
            fmt::format("{}: {}", core::text(snapshot.state),
                        formats::reason(configuration_.plan, snapshot, storage_state_.notes.of(snapshot.memory),
                                        wall_stamp(now).since_1970)));
    }
    if (const std::uint64_t failed = guard_->failed_writes(); failed != failed_writes_) {
        failed_writes_ = failed;
        if (write_failures_.pass(now)) spdlog::critical("the line refused a write; {} in all", failed);
    }
    if (now >= next_proof_look_) {
        next_proof_look_ = now + 24h;
        const auto proof =
            formats::proof_status(storage_state_.proved_at_s.load(), configuration_.proof_every, wall_stamp(now));
        if (proof.overdue) spdlog::warn("{} See 'dekeyctl prove'.", proof.words);
    }
    if (now < next_pet_) return;
    std::array<core::Instant, 64> last_scans{};
    for (std::size_t i = 0; i < std::min(samplers_.size(), last_scans.size()); ++i) {
        last_scans[i] = samplers_[i].last_scan();
    }
    if (rule_.may_pet(now, guard_->cycles(), guard_->permits(), last_scans, oldest_scans_)) {
        petted_ = now;
        next_pet_ = now + manager_.watchdog().value_or(4s) / 4;
        if (manager_.watchdog()) manager_.pet();
    } else if (now - petted_ > 1s && unpetted_.pass(now)) {
        spdlog::critical(
            "the guard makes no decisions, or permits on old scans: the watchdog is not told that all is "
            "well{}",
            unpetted_.since());
    }
}

// ---- the stop --------------------------------------------------------------------------------------------------

int Service::stop() {
    const core::Instant began = monotonic_now();
    guard_->ask_to_inhibit();
    while (!guard_->has_inhibited() && monotonic_now() - began < inhibit_within) {
        main_wake_.wait(monotonic_now() + 1ms);
    }
    const bool inhibited = guard_->has_inhibited();
    if (inhibited) {
        spdlog::info("stopping by signal {}: inhibited", stop_signal());
    } else {
        spdlog::critical("stopping by signal {}: the line is not confirmed at inhibit; the stop hook tries again",
                         stop_signal());
    }
    manager_.stopping();
    manager_.status("Stopping; inhibited.");
    event_log_.write();
    control_.leave();
    for (Sampler& sampler : samplers_) sampler.leave();
    if (keeper_) keeper_->begin_stop();  // beside all that follows
    // First, so that a transmission which ends here is in the journal too; a stalled disk gets no more than this.
    if (history_writer_ && !history_writer_->stop(began + history_within)) {
        spdlog::warn("the storage didn't take a capture or a log's row in time");
    }
    if (journal_writer_ && !journal_writer_->stop(began + journal_within)) {
        spdlog::error("the storage didn't take all events in time");
    }
    const bool saved = !keeper_ || keeper_->stop(began + keeper_within);
    if (!saved) {
        spdlog::critical(
            "the storage didn't take the state in time: this stop is not clean, and the next start is "
            "latched");
    }
    journal_feed_.stop(monotonic_now());
    control_thread_.join(200ms);
    for (Thread& thread : sampler_threads_) {
        if (monotonic_now() - began > end_within || !thread.join(50ms)) break;  // a jammed bus: left behind
    }
    event_log_.write();
    if (!stop_asked() || !inhibited) return exit_software;
    return saved ? 0 : exit_not_saved;
}

}  // namespace

int run_service(const formats::Configuration& configuration) {
    forbid_core_dumps();
    if (const std::string given = other_run_directory(configuration); !given.empty()) {
        inhibit_without_service(given, configuration.sysfs_root, &configuration.line);
        spdlog::critical(
            "not started: paths: run: is {}, but the service manager gave {}, and its stop hook looks there; expected "
            "`run: {}`, or another RuntimeDirectory in the unit",
            configuration.run_directory, given, given);
        return exit_configuration;
    }
    // Never destroyed: threads that are stuck in the kernel may use it until the process ends.
    auto* const service = new Service{configuration};
    try {
        return service->run();
    } catch (const std::system_error& error) {
        inhibit_by_last_resort();
        spdlog::critical("stopped, inhibited: {}", error.what());
        return exit_system;
    } catch (const std::exception& error) {
        inhibit_by_last_resort();
        spdlog::critical("stopped, inhibited, by a fault of the program: {}", error.what());
        return exit_software;
    }
}

}  // namespace dekeyd
