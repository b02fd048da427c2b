#include "telemetry/session.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>
#include <utility>

#include "base/wall_clock.hpp"
#include "telemetry/broker_login.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration first_retry_after = 1s;
constexpr core::Duration slowest_retry = 60s;
constexpr core::Duration proven_after = 30s;     ///< a session that lasted so long starts the back-off anew
constexpr core::Duration connect_at_most = 15s;  ///< then the client counts as hung
constexpr core::Duration short_session = 5s;
constexpr int most_short_sessions = 3;  ///< in a row; then another client may have our name

}  // namespace

Session::Session(const formats::Configuration& configuration, std::string will_topic, MqttLink& link,
                 std::function<void()> ended)
    : configuration_{configuration},
      mqtt_{configuration.mqtt.value()},
      will_topic_{std::move(will_topic)},
      link_{link},
      ended_{std::move(ended)},
      random_{std::random_device{}()},
      retry_after_{first_retry_after} {}

void Session::enter(Phase phase, core::Instant now) noexcept {
    phase_ = phase;
    phase_since_ = now;
}

void Session::supervise(core::Instant now) {
    if (phase_ == Phase::waiting) {
        if (now >= retry_at_) connect(now);
    } else if (phase_ == Phase::connecting) {
        if (now - phase_since_ < connect_at_most) return;
        complain("the client gave no answer at all and is replaced", now);
        give_up(now);
    } else if (now - phase_since_ > proven_after) {
        retry_after_ = first_retry_after;
    }
}

void Session::connect(core::Instant now) {
    const Login login = read_login(mqtt_);
    std::string trouble = login.trouble;
    if (trouble.empty()) {
        enter(Phase::connecting, now);
        trouble = link_.connect(mqtt_, login, "dekeyd-" + configuration_.id, will_topic_, "false");
    }
    if (trouble.empty()) return;
    complain(trouble, now);
    give_up(now);
}

bool Session::begin(core::Instant now) {
    if (phase_ != Phase::connecting) return false;
    enter(Phase::announcing, now);
    began_ = now;
    return true;
}

void Session::be_ready(core::Instant now) {
    enter(Phase::ready, now);
    last_trouble_.clear();
    spdlog::info("connected to {}", broker_uri(mqtt_));
}

void Session::announce_anew(core::Instant now) {
    enter(Phase::announcing, now);
}

void Session::refused(const std::string& why, core::Instant now) {
    complain(why + (mqtt_.tls ? "; with TLS that may also be a certificate that ca_file doesn't vouch for, or one for "
                                "another name than the configured host"
                              : ""),
             now);
    give_up(now);
}

void Session::lose(const std::string& why, core::Instant now) {
    losses_in_a_row_ = now - began_ < short_session ? losses_in_a_row_ + 1 : 0;
    if (losses_in_a_row_ == most_short_sessions) {
        spdlog::warn(
            "the broker ends the session as soon as it is connected; another client may have the id dekeyd-{}: give "
            "each "
            "amplifier its own device id",
            configuration_.id);
    }
    complain("the connection was lost" + (why.empty() ? "" : ": " + why), now);
    give_up(now);
}

// Back-off grows until a session has proved itself, and no two instances come back in step.
void Session::give_up(core::Instant now) {
    ended_();
    enter(Phase::waiting, now);
    link_.drop();  // may take its time
    const double share = std::uniform_real_distribution<double>{0.5, 1.0}(random_);
    retry_at_ = monotonic_now() + std::chrono::duration_cast<core::Duration>(retry_after_ * share);
    retry_after_ = std::min<core::Duration>(2 * retry_after_, slowest_retry);
}

void Session::complain(const std::string& text, core::Instant now) {
    const bool is_new = std::exchange(last_trouble_, text) != text;
    const bool pass = complaints_.pass(now);
    if (!pass && !is_new) return;
    spdlog::warn("broker {}: {}; the amplifier is guarded all the same{}", broker_uri(mqtt_), text,
                 complaints_.since());
}

}  // namespace dekeyd
