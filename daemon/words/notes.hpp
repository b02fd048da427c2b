// Notes of a hold or a lockout for the operator: since when, by which side, and why. Core doesn't know it; it
// is kept with core's memory, and shown wherever that is.
#pragma once

#include <chrono>
#include <cstdint>
#include <string>
#include <string_view>

#include "base/wall_time.hpp"

namespace dekeyd::formats {

/// Of one hold, or of a lockout.
struct Note {
    std::int64_t at_s = 0;      ///< wall time, seconds since 1970; 0: not known
    bool synchronised = false;  ///< the clock was set by a time source then
    bool at_start = false;      ///< a hold that the start made, not an operator
    std::string reason{};
    bool operator==(const Note&) const = default;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("at_s", self.at_s);
        visit("synchronised", self.synchronised);
        visit("at_start", self.at_start);
        visit("reason", self.reason);
    }
};

/// Of now, without a reason.
Note note_of(const WallStamp& stamp);

/// Of a hold that is asked for again while it stands: since the first time, and with every reason that was given.
Note asked_again(Note standing, const Note& again);

struct Notes {
    Note local{}, remote{}, lockout{};
    bool operator==(const Notes&) const = default;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("local", self.local);
        visit("remote", self.remote);
        visit("lockout", self.lockout);
    }
};

inline constexpr std::size_t longest_reason = 200;  ///< bytes

/// Any bytes as a reason: control characters become spaces, what is no UTF-8 question marks, the ends lose their
/// spaces, and the length is bounded without cutting a character.
std::string reason_of_bytes(std::string_view bytes);

/// "14:02 UTC", with its date where that isn't the one of `now`, and with a word where the clock wasn't set; empty
/// where the time isn't known.
std::string time_of(const Note& note, std::chrono::nanoseconds now);

/// A sentence of an event with the reason that was given for it, if any, before its full stop.
std::string with_reason(std::string sentence, std::string_view reason);

/// "Held at the amplifier since 14:02 UTC: 'climber on the mast'; released only there."
std::string hold_in_words(const Note& note, bool local, std::chrono::nanoseconds now);

}  // namespace dekeyd::formats
