// The notes of holds and lockouts, between the threads that make, keep and show them. The guard knows nothing of it.
#pragma once

#include <mutex>
#include <string>
#include <utility>

#include "plan/events.hpp"
#include "words/notes.hpp"

namespace dekeyd {

class NoteBook {
public:
    void begin(formats::Notes notes) {
        const std::lock_guard lock{mutex_};
        notes_ = std::move(notes);
    }
    /// Before the hold itself is asked for, so that a reader who sees the hold also sees why; returns what was there.
    formats::Note put_hold(core::Origin origin, formats::Note note) {
        const std::lock_guard lock{mutex_};
        return std::exchange(origin == core::Origin::local ? notes_.local : notes_.remote, std::move(note));
    }
    void put_lockout(formats::Note note) {
        const std::lock_guard lock{mutex_};
        notes_.lockout = std::move(note);
    }
    [[nodiscard]] formats::Note of_hold(core::Origin origin) const {
        const std::lock_guard lock{mutex_};
        return origin == core::Origin::local ? notes_.local : notes_.remote;
    }
    /// `sentence` of `event`, with the reason that was given for the hold where it tells of one.
    [[nodiscard]] std::string with_reason(std::string sentence, const core::Event& event) const {
        if (event.kind != core::EventKind::held) return sentence;
        return formats::with_reason(std::move(sentence), of_hold(event.origin).reason);
    }
    /// Of what stands in `memory` alone: a note of a hold that was released belongs to none.
    [[nodiscard]] formats::Notes of(const core::Memory& memory) const {
        const std::lock_guard lock{mutex_};
        formats::Notes notes;
        if (memory.held_locally) notes.local = notes_.local;
        if (memory.held_remotely) notes.remote = notes_.remote;
        if (memory.locked_out) notes.lockout = notes_.lockout;
        return notes;
    }

private:
    mutable std::mutex mutex_;  ///< held for a copy
    formats::Notes notes_;
};

}  // namespace dekeyd
