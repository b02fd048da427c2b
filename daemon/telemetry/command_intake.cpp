#include "telemetry/command_intake.hpp"

#include <spdlog/spdlog.h>

#include <utility>
#include <variant>

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration after_subscribing = 250ms;  ///< what comes within it may have waited at the broker
constexpr core::Duration refusals_every = 60s;

std::string printable(std::string_view text) {
    std::string clean{text.substr(0, 100)};
    for (char& c : clean) {
        if (c < 0x20 || c > 0x7e) c = '?';
    }
    return clean;
}

}  // namespace

bool CommandIntake::subscribe(core::Instant now) {
    return listening_since_ || outbox_.subscribe(device_.base() + "/+/+/set", 1, Purpose::subscription, now);
}

bool CommandIntake::hears_the_present(core::Instant now) const noexcept {
    return listening_since_ && now - *listening_since_ >= after_subscribing;
}

void CommandIntake::hear(const homie::Incoming& message, core::Instant now) {
    auto judged = homie::check_command(device_, mqtt_, message, !hears_the_present(now));
    const auto* const asked = std::get_if<homie::Asked>(&judged);
    // A reset or a release that waited is another moment's; a hold is right at any moment.
    if (asked != nullptr && asked->kind != core::CommandKind::hold && outbox_.stood_still(now))
        judged = homie::Refusal::late;
    if (const auto* refusal = std::get_if<homie::Refusal>(&judged)) {
        // The end of a retained message is no command.
        if (message.size == 0 && *refusal == homie::Refusal::retained) return;
        RateLimit& said = refused_.try_emplace(*refusal, refusals_every).first->second;
        if (said.pass(now)) {
            spdlog::warn("a command on {} was refused: {}{}", printable(message.topic), homie::text(*refusal),
                         said.since());
        }
        return;
    }
    if (!guard_.ask(std::get<homie::Asked>(std::move(judged))) && not_passed_on_.pass(now)) {
        spdlog::warn("a command was refused: {}{}",
                     guard_.reachable() ? "too many in a short time" : "the guard doesn't answer",
                     not_passed_on_.since());
    }
}

}  // namespace dekeyd
