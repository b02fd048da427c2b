// The properties that are published by MQTT: one row each, or one row for each family (quantities, limits, captures).
// A row says what the property is, how soon a change of it is sent, and how its value is worked out.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "base/wall_time.hpp"
#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "recording/latest_history.hpp"
#include "words/notes.hpp"
#include "words/signal_text.hpp"

namespace dekeyd::homie {

enum class Datatype : std::uint8_t { integer, number, boolean, string, enumeration, json };

/// The convention's word: "integer", "float", "boolean", "string", "enum", "json".
std::string_view text(Datatype datatype) noexcept;

/// How soon a change of a property is sent.
enum class Pace : std::uint8_t {
    prompt,    ///< at once, with room in flight kept for it
    paced,     ///< within `fastest`
    measured,  ///< within `fastest` when beyond the dead band; again after `slowest` without a change
    slow,      ///< a change waits for `slowest`
    summary,   ///< each second that has something new, and now and then (summaries.hpp)
    pulse,     ///< in each other second; of that moment alone
    never      ///< a command: it has no value
};

/// How a home dashboard shows a property, in its discovery document (discovery.hpp).
enum class Face : std::uint8_t {
    none,     ///< it isn't announced there
    reading,  ///< a number, or a text, or one of several words
    counter,  ///< a number that only rises
    flag,     ///< "true" or "false"
    problem,  ///< the same, and "true" is a problem
    sound,    ///< the same, and "false" is a problem
    button    ///< a command
};
/// And where. The further down, the rarer it is sent again without a change.
enum class Rank : std::uint8_t {
    vital,       ///< never old: what is permitted
    shown,       ///< among the first
    diagnostic,  ///< on the device's own page
    hidden       ///< the same, once somebody turns it on
};
struct Shown {
    Face face = Face::none;
    Rank rank = Rank::hidden;
};

/// The values beside the snapshot.
struct Context {
    formats::WallStamp stamp;
    std::uint64_t events_waiting = 0;  ///< in the journal, not delivered yet
    std::uint64_t events_lost = 0;     ///< pushed out undelivered, or never written
    bool storage_fails = false;
    std::uint64_t captures = 0;         ///< written since the start
    std::uint64_t records_waiting = 0;  ///< captures and rows of the logs, not on the disk yet
    std::uint64_t records_dropped = 0;  ///< those given up because newer ones needed the memory
    std::uint64_t steps_lost = 0;       ///< decisions that no capture can show
    std::uint64_t failed_writes = 0;    ///< tries of any kind
    std::string recent;                 ///< the last delivered events as a JSON array; empty: none yet
    std::string trips;                  ///< the last trips and how they ended, likewise
    std::string reason;                 ///< one sentence, for the snapshot's state
    formats::Notes notes;               ///< of the holds and the lockout that stand
    LatestHistory::Kept kept;
    std::string proof;  ///< of the last proof test, or of the one that runs
    formats::SignalReport signal;
};

/// A payload as it is published. `number`: for the dead band. No text: there is no value.
struct Value {
    std::optional<std::string> text;
    std::optional<double> number;
};

/// What a value is worked out from. All references must outlive the call alone.
struct Facts {
    const core::Plan& plan;
    const core::Snapshot& snapshot;
    const Context& around;
    const std::string& configured;  ///< what the configuration fixes, as JSON
};

struct Property {
    std::string node;
    std::string id;
    std::string name;
    Datatype datatype = Datatype::string;
    std::string format;
    std::string unit;
    Pace pace = Pace::paced;
    Shown shown;
    std::uint16_t index = 0;  ///< of a family: the quantity, the limit, the place of a capture
    Value (*value)(const Facts& facts, std::uint16_t index) = nullptr;
    std::string topic;  ///< whole: homie/5/<device>/<node>/<id>

    [[nodiscard]] bool settable() const noexcept { return pace == Pace::never; }
    [[nodiscard]] bool retained() const noexcept { return pace != Pace::never && pace != Pace::pulse; }
};

struct Node {
    std::string_view id;
    std::string_view name;
    std::string_view aside{};  ///< behind a property's name where several nodes have it
};

/// In the order in which they are published: the permit first.
std::span<const Node> nodes() noexcept;

/// All properties of a device with this configuration, in the order in which they are published. `base`: homie/5/<id>.
std::vector<Property> properties_of(const formats::Configuration& configuration, const std::string& base);

/// none, local, remote, both.
std::string_view held_by(const core::Memory& memory) noexcept;

}  // namespace dekeyd::homie
