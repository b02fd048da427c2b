// The loop of a follow: takes the next event, hands it on, and keeps its place, one event at a time.
#pragma once

#include <chrono>
#include <cstdint>
#include <deque>
#include <optional>
#include <string>

#include "dekeyctl/follow/command.hpp"
#include "dekeyctl/follow/end_signals.hpp"
#include "dekeyctl/follow/event.hpp"
#include "dekeyctl/follow/follow.hpp"
#include "dekeyctl/follow/guard_source.hpp"
#include "dekeyctl/follow/order.hpp"
#include "dekeyctl/follow/place_file.hpp"
#include "dekeyctl/follow/presence.hpp"

namespace dekeyd::ctl {

class FollowLoop {
public:
    using Time = std::chrono::steady_clock::time_point;

    /// Throws std::runtime_error where there is no such command.
    explicit FollowLoop(const FollowOptions& options);

    /// The exit code, when a signal has ended it or standard output is gone.
    int run(const EndSignals& signals);

private:
    enum class Phase { idle, runs, waits, saves };

    void turn(Time now);
    void look_at_guard(Time now);
    void say_awaited(Time now);
    std::optional<FollowedEvent> next(Time now);
    void pass_over(const FollowedEvent& event);
    void hand_on(Time now);
    void look_at_command(Time now);
    void failed(const std::string& how, Time now);
    void handed_on(const std::string& how, Time now);
    void print(const std::string& how) const;
    void save(Time now);
    void look_at_saving(Time now);
    void finish();
    void complain(const std::string& text, Time now);
    [[nodiscard]] EventCommand::Variables variables() const;
    [[nodiscard]] std::string whose() const;

    const FollowOptions& options_;
    core::Severity least_;
    PlaceFile file_;
    KeptPlace kept_, saved_;
    EventOrder order_;
    GuardPresence presence_;
    GuardSource source_;
    std::optional<EventCommand> command_;
    Time heard_;  ///< the guard, last
    Phase phase_ = Phase::idle;
    std::optional<FollowedEvent> event_;  ///< the one that is handed on
    std::deque<FollowedEvent> own_;       ///< about the guard
    unsigned tries_ = 0;
    std::uint64_t undelivered_ = 0;
    Time limit_{}, again_{}, save_until_{}, save_again_{}, complain_again_{}, awaited_said_{};
    std::string complaint_, heard_wall_;
    bool unsaved_ = false;  ///< the last try to keep its place failed
    bool ends_ = false;
};

}  // namespace dekeyd::ctl
