// What the guard tells the telemetry over the control socket: each field is named once, here. Both programs are of one
// version and one configuration, or they don't talk; so snapshots and events go as core's own words
// (plan/state_words.hpp).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/protection.hpp"
#include "store/journal.hpp"
#include "words/fields.hpp"
#include "words/messages.hpp"
#include "words/notes.hpp"

namespace dekeyd::formats {

/// The answer to "follow".
struct FeedHello {
    std::string version{};
    std::string configuration{};  ///< configuration_sum() of the one that the guard runs with

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("version", self.version);
        visit("configuration", self.configuration);
    }
};

/// How the storage is: what is kept, what waits and what was lost, since the guard's start.
struct FeedStorage {
    std::string epoch{};  ///< of the journal; empty before it is open
    std::uint64_t durable = 0, unwritten = 0;
    bool fails = false;
    KeptStatus kept{};
    std::string proof{};  ///< when the last proof test was passed, in words

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("epoch", self.epoch);
        visit("durable", self.durable);
        visit("unwritten", self.unwritten);
        visit("fails", self.fails);
        visit("kept", self.kept);
        visit("proof", self.proof);
    }
};

/// The last captures' curves and transmissions, each as JSON text; sent when they are new to the telemetry.
struct FeedHistory {
    std::vector<std::string> captures{};
    std::string transmissions{};
    std::string on_disk{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("captures", self.captures);
        visit("transmissions", self.transmissions);
        visit("on_disk", self.on_disk);
    }
};

/// Each feed_period(), and at once when something has happened.
struct Feed {
    std::string snapshot{};             ///< words_of() the newest
    std::vector<std::string> events{};  ///< words_of() those since the last feed, oldest first
    FeedStorage storage{};
    Notes notes{};  ///< of what stands in the snapshot's memory
    std::optional<FeedHistory> history{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("snapshot", self.snapshot);
        visit("events", self.events);
        visit("storage", self.storage);
        visit("notes", self.notes);
        visit("history", self.history, IfSet{});
    }
};

struct FeedEntry {
    std::uint64_t number = 0;
    std::string text{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("number", self.number);
        visit("text", self.text);
    }
};

/// Events of the journal behind `after`, as far as `durable`.
struct FeedEvents {
    std::string epoch{};  ///< of the journal; empty: it isn't open yet
    std::uint64_t after = 0, durable = 0;
    std::vector<FeedEntry> entries{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("epoch", self.epoch);
        visit("after", self.after);
        visit("durable", self.durable);
        visit("entries", self.entries);
    }
};

/// A part of a capture on the disk, as it was asked for.
struct FeedCapture {
    std::string name{};
    std::uint64_t offset = 0, size = 0;  ///< size: of the whole file
    std::string text{};
    std::string error{};  ///< why there is none

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("name", self.name);
        visit("offset", self.offset);
        visit("size", self.size);
        visit("text", self.text);
        visit("error", self.error);
    }
};

/// A line of the feed as its reader finds it: exactly one of these is set, or the guard refused something.
struct FeedLine {
    std::optional<FeedHello> hello{};
    std::optional<Feed> feed{};
    std::optional<FeedEvents> events{};
    std::optional<FeedCapture> capture{};
    std::optional<std::string> error{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("hello", self.hello, IfSet{});
        visit("feed", self.feed, IfSet{});
        visit("events", self.events, IfSet{});
        visit("capture", self.capture, IfSet{});
        visit("error", self.error, IfSet{});
    }
};

/// One line with its newline.
std::string feed_line(const FeedLine& line);
/// Any bytes: what they don't give isn't set.
FeedLine parse_feed_line(std::string_view line);

/// Tells one configuration text from another, `mqtt:` apart: that is the telemetry's own, and when it is changed the
/// guard need not be started anew.
std::string configuration_sum(std::string_view text);

/// How often the telemetry is told, where values are published at most each `fastest`: 0.1 to 0.2 s. Its limit for a
/// guard that doesn't answer is three of them.
core::Duration feed_period(core::Duration fastest) noexcept;

/// Every bit of it.
std::string words_of(const core::Snapshot& snapshot);
std::string words_of(const core::Event& event);
/// False: they are no such words, and `snapshot` (sized by the plan), or `event`, is to be thrown away.
bool take_words(std::string_view words, core::Snapshot& snapshot);
bool take_words(std::string_view words, core::Event& event);

}  // namespace dekeyd::formats
