#include "dekeyctl/follow/loop.hpp"

#include <fmt/format.h>
#include <poll.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <utility>

#include "base/wall_time.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr int look_every_ms = 50;
constexpr auto save_at_most = 5s;  // then the next event isn't kept waiting any longer
constexpr auto save_passed_over = 10s;
constexpr auto complain_every = 60s;
constexpr std::size_t most_own = 100;
constexpr auto end_at_most = 5s;  // for a command that runs while this ends

std::string wall_now() {
    return formats::to_iso(std::chrono::system_clock::now().time_since_epoch());
}

/// "14:03:22 UTC" of an ISO time.
std::string clock_of(const std::string& iso) {
    return iso.size() >= 19 ? iso.substr(11, 8) + " UTC" : iso;
}

core::Severity severity_of(const std::string& word) {
    return core::severity_words.find(word).value_or(core::Severity::notice);
}

FollowStart start_of(const FollowOptions& options, const PlaceFile& file) {
    if (file.found().place) return {.place = file.found().place};
    return {.from = options.from};
}

}  // namespace

std::chrono::milliseconds pause_after(unsigned tries) noexcept {
    constexpr std::chrono::milliseconds first = 250ms, longest = 5min;
    constexpr unsigned most_doublings = 11;
    return std::min(longest, first * (1 << std::min(std::max(tries, 1U) - 1, most_doublings)));
}

FollowLoop::FollowLoop(const FollowOptions& options)
    : options_{options},
      least_{severity_of(options.least)},
      file_{options.resume},
      kept_{file_.found()},
      saved_{kept_},
      order_{start_of(options, file_), &wall_now},
      presence_{Clock::now(), kept_.told_away},
      source_{options.sockets, order_, presence_},
      heard_{presence_.heard()} {
    if (!options.command.empty()) command_.emplace(options.command);
    if (file_.damage().empty()) return;
    say(stderr, fmt::format("dekeyctl: {}; events are followed from now on", file_.damage()));
    own_.push_back(own_event("events-missing", core::Severity::warning, wall_now(),
                             fmt::format("{}: how many events are missing until now isn't known.", file_.damage()),
                             {{"missing", nullptr}}));
}

int FollowLoop::run(const EndSignals& signals) {
    while (!ends_) {
        turn(Clock::now());
        if (ends_) break;
        std::array<pollfd, 3> watched{pollfd{.fd = signals.descriptor(), .events = POLLIN, .revents = 0},
                                      pollfd{.fd = source_.descriptor(), .events = POLLIN, .revents = 0},
                                      pollfd{.fd = file_.descriptor(), .events = POLLIN, .revents = 0}};
        ::poll(watched.data(), watched.size(), look_every_ms);
        file_.hear();
        ends_ = signals.ends();
    }
    finish();
    return std::ferror(stdout) == 0 ? exit_done : exit_refused;
}

void FollowLoop::turn(Time now) {
    source_.turn(now);
    look_at_guard(now);
    // As many as can be handed on at once.
    for (Phase before = Phase::saves; !ends_;) {
        if (phase_ == Phase::saves) look_at_saving(now);
        if (phase_ == Phase::runs) look_at_command(now);
        if (phase_ == Phase::waits && now >= again_) hand_on(now);
        if (phase_ == Phase::idle) {
            if (auto event = next(now)) {
                event_ = std::move(event);
                tries_ = 0;
                hand_on(now);
                continue;
            }
        }
        if (phase_ == Phase::idle && (kept_ != saved_ || unsaved_) && now >= save_again_) save(now);
        if (std::exchange(before, phase_) == phase_) break;
    }
}

// ---- the guard's presence --------------------------------------------------------------------------------------

void FollowLoop::look_at_guard(Time now) {
    if (auto place = order_.take_beginning()) kept_.place = std::move(place);
    const auto change = presence_.look(now);
    if (std::exchange(heard_, presence_.heard()) != presence_.heard()) heard_wall_ = wall_now();
    if (heard_wall_.empty()) say_awaited(now);
    if (!change) return;
    const auto tell = [&](std::string_view kind, core::Severity severity, const std::string& text) {
        // A guard that comes and goes while no message gets out: of the oldest a pair is as good as none.
        if (own_.size() >= most_own) own_.erase(own_.begin(), std::next(own_.begin(), 2));
        own_.push_back(own_event(kind, severity, wall_now(), text,
                                 {{"socket", source_.socket()}, {"station", source_.station()}}));
    };
    using Change = GuardPresence::Change;
    if (*change == Change::gone) {
        tell("guard-gone", core::Severity::alarm,
             fmt::format("dekeyd{} has not answered on {} since {}: the amplifier may be without its interlock.",
                         whose(), source_.socket(), clock_of(heard_wall_)));
    } else if (*change == Change::awaited) {
        tell("guard-awaited", core::Severity::alarm,
             fmt::format("No dekeyd has answered on {} yet, for {} s: the amplifier may be without its interlock.",
                         source_.socket(), GuardPresence::awaited_after.count()));
    } else {
        tell("guard-back", core::Severity::good,
             fmt::format("dekeyd{} answers again on {}.", whose(), source_.socket()));
    }
}

/// "(hilltop-23cm)", where it is known.
std::string FollowLoop::whose() const {
    return source_.station().empty() ? "" : " (" + source_.station() + ")";
}

void FollowLoop::say_awaited(Time now) {
    if (source_.trouble().empty() || now < awaited_said_) return;
    awaited_said_ = now + complain_every;
    say(stderr, fmt::format("dekeyctl: no dekeyd answers yet; it is waited for: {}", source_.trouble()));
}

// ---- one event -------------------------------------------------------------------------------------------------

std::optional<FollowedEvent> FollowLoop::next(Time now) {
    while (auto event = order_.next(now)) {
        if (!event->told && passes(*event, least_)) return event;
        pass_over(*event);
    }
    if (own_.empty()) return std::nullopt;
    FollowedEvent event = std::move(own_.front());
    own_.pop_front();
    return event;
}

void FollowLoop::pass_over(const FollowedEvent& event) {
    if (event.place) kept_.place = event.place;
}

void FollowLoop::hand_on(Time now) {
    if (!command_) return handed_on({}, now);
    ++tries_;
    const std::string trouble = command_->start(event_->json + '\n', variables());
    if (!trouble.empty()) return failed(trouble, now);
    phase_ = Phase::runs;
    limit_ = now + std::chrono::duration_cast<Clock::duration>(std::chrono::duration<double>(options_.time_limit_s));
}

void FollowLoop::look_at_command(Time now) {
    if (const auto status = command_->ended()) {
        if (*status == 0) return handed_on(fmt::format(" ({}: exit code 0)", command_->name()), now);
        if (limit_ == Time::max())
            return failed(fmt::format("took longer than {:g} s and was killed", options_.time_limit_s), now);
        return failed(end_in_words(*status), now);
    }
    if (now < limit_) return;
    limit_ = Time::max();
    command_->kill();
}

void FollowLoop::failed(const std::string& how, Time now) {
    const std::string what =
        fmt::format("dekeyctl: '{}' {}; event {} ({})", command_->name(), how, event_->id, event_->kind);
    if (options_.tries > 0 && tries_ >= options_.tries) {
        ++undelivered_;
        say(stderr, fmt::format("{} is NOT DELIVERED after {}; {} so far: {}", what, counted(tries_, "time"),
                                counted(undelivered_, "undelivered event"), event_->text));
        pass_over(*event_);
        event_.reset();
        phase_ = Phase::idle;
        return save(now);
    }
    const auto pause = pause_after(tries_);
    say(stderr, fmt::format("{} is given to it again in {:g} s", what, std::chrono::duration<double>(pause).count()));
    again_ = now + pause;
    phase_ = Phase::waits;
}

void FollowLoop::handed_on(const std::string& how, Time now) {
    print(how);
    if (std::ferror(stdout) != 0) {
        ends_ = true;
        if (!command_) return;  // it was not printed
    }
    if (event_->kind == "guard-gone" || event_->kind == "guard-awaited") kept_.told_away = true;
    if (event_->kind == "guard-back") kept_.told_away = false;
    pass_over(*event_);
    event_.reset();
    phase_ = Phase::idle;
    save(now);
}

void FollowLoop::print(const std::string& how) const {
    if (options_.json) {
        fmt::print("{}\n", event_->json);
    } else {
        const std::string line = fmt::format("{}  {}: {}{}", event_->wall, event_->kind, event_->text, how);
        fmt::print("{}\n", look_of(stdout).utf8 ? line : to_ascii(line));
    }
    std::fflush(stdout);
}

EventCommand::Variables FollowLoop::variables() const {
    return {{"DEKEYD_EVENT_ID", event_->id},
            {"DEKEYD_EVENT_KIND", event_->kind},
            {"DEKEYD_EVENT_SEVERITY", event_->severity_word},
            {"DEKEYD_EVENT_SENTENCE", event_->text},
            {"DEKEYD_EVENT_TIME", event_->wall},
            {"DEKEYD_EVENT_SOURCE", event_->source},
            {"DEKEYD_EVENT_STATE", event_->state},
            {"DEKEYD_EVENT_STATION", source_.station()},
            {"DEKEYD_EVENT_STATION_NAME", source_.station_name()},
            {"DEKEYD_EVENT_TRY", std::to_string(tries_)},
            {"DEKEYD_EVENT_UNDELIVERED", std::to_string(undelivered_)}};
}

// ---- its place -------------------------------------------------------------------------------------------------

void FollowLoop::save(Time now) {
    saved_ = kept_;
    if (options_.resume.empty()) return;
    file_.save(kept_);
    save_until_ = now + save_at_most;
    save_again_ = now + save_passed_over;
    phase_ = Phase::saves;
}

// The next event is not begun before this one's place is durable, so that a kill repeats at most one; but no alarm
// waits for a storage that hangs.
void FollowLoop::look_at_saving(Time now) {
    const std::optional<std::string> tried = file_.last_try();
    if (!tried && now < save_until_) return;
    const std::string trouble =
        tried ? *tried
              : fmt::format("{} isn't written after {} s; look at its storage", options_.resume, save_at_most.count());
    phase_ = Phase::idle;
    unsaved_ = !trouble.empty();
    if (unsaved_) complain(trouble + " (after a restart events may come again)", now);
}

void FollowLoop::complain(const std::string& text, Time now) {
    if (text == complaint_ && now < complain_again_) return;
    complaint_ = text;
    complain_again_ = now + complain_every;
    say(stderr, "dekeyctl: " + text);
}

/// A command that runs may end by itself in a short time, and then its event is delivered.
void FollowLoop::finish() {
    const Time until = Clock::now() + end_at_most;
    while (phase_ == Phase::runs && Clock::now() < until) {
        look_at_command(Clock::now());
        ::poll(nullptr, 0, 10);
    }
    if (kept_ != saved_ || unsaved_) save(Clock::now());
    if (!file_.stop(save_at_most)) {
        std::fflush(nullptr);
        ::_exit(exit_refused);
    }
}

int run_follow(const FollowOptions& options) {
    const EndSignals signals;
    return FollowLoop{options}.run(signals);
}

}  // namespace dekeyd::ctl
