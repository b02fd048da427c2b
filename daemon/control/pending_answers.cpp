#include "control/pending_answers.hpp"

#include <algorithm>

#include "messages/control.hpp"

namespace dekeyd {

void PendingAnswers::await(int descriptor, const core::Command& command) {
    const bool forces = command.kind == core::CommandKind::prove_line || command.kind == core::CommandKind::prove_limit;
    pending_[command.id] = {.descriptor = descriptor,
                            .origin = command.origin,
                            .until = command.arrived + (forces ? proof_timeout : answer_timeout)};
}

bool PendingAnswers::waits(int descriptor) const noexcept {
    return std::any_of(pending_.begin(), pending_.end(),
                       [=](const auto& entry) { return entry.second.descriptor == descriptor; });
}

void PendingAnswers::forget(int descriptor) {
    std::erase_if(pending_, [=](const auto& entry) { return entry.second.descriptor == descriptor; });
}

std::optional<PendingAnswers::Answer> PendingAnswers::answered(const core::Event& event, const std::string& sentence,
                                                               core::Instant now) {
    if (event.origin == core::Origin::none) return std::nullopt;
    const auto waiting = pending_.find(event.command_id);
    if (waiting == pending_.end() || waiting->second.origin != event.origin) return std::nullopt;
    if (!is_saved(event)) {
        waiting->second.until = now + answer_timeout;
        waiting->second.done = event;
        waiting->second.sentence = sentence;
        return std::nullopt;
    }
    Answer answer{waiting->second.descriptor, formats::command_answer(event, sentence)};
    pending_.erase(waiting);
    return answer;
}

std::vector<PendingAnswers::Answer> PendingAnswers::due(core::Instant now) {
    std::vector<Answer> answers;
    std::erase_if(pending_, [&](const auto& entry) {
        auto line = line_of(entry.second, now);
        if (line) answers.push_back({entry.second.descriptor, std::move(*line)});
        return line.has_value();
    });
    return answers;
}

// A command that the guard has done is done; whether it is said to be for good waits for the storage, but not for long.
std::optional<std::string> PendingAnswers::line_of(const Pending& pending, core::Instant now) const {
    if (pending.done && is_saved(*pending.done)) return formats::command_answer(*pending.done, pending.sentence);
    if (now < pending.until) return std::nullopt;
    if (pending.done) return formats::unsaved_answer(*pending.done, pending.sentence);
    return formats::error_answer(
        "the guard didn't answer in time; expected it to decide many times a second: see the log, and take the command "
        "as not done");
}

/// The change that the event tells of outlives a restart and a power cut; or the event is of no such change.
bool PendingAnswers::is_saved(const core::Event& event) const noexcept {
    const bool lasts = event.kind == core::EventKind::held || event.kind == core::EventKind::released ||
                       event.kind == core::EventKind::reset;
    return !lasts || saved_ == nullptr || saved_->saved_through.load() >= event.at;
}

}  // namespace dekeyd
