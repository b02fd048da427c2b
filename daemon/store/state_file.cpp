#include "store/state_file.hpp"

#include <algorithm>
#include <array>
#include <optional>
#include <utility>

#include "base/sealed.hpp"
#include "core/protection.hpp"
#include "plan/number_text.hpp"

// The text: one `key value` a line, in this order, each once; `latched` as often as there are latches; a checksum of
// everything before its own line ends it.
//
//   dekeyd-state 2
//   sequence 17
//   running yes
//   first-start no
//   unreadable no
//   locked-out no
//   held-locally no
//   held-remotely no
//   trip-level-ns 0
//   unclean-level-ns 0
//   latched limit vswr
//   note local 1764338520 synchronised operator climber on the mast
//   crc32 0123abcd
//
// Version 1 had no sequence, and was the whole file. Notes of the holds and of the lockout came later to version 2,
// each only where its hold or lockout stands and there is something to note; a reader that doesn't know them takes the
// state for damaged, and so for latched.

namespace dekeyd::formats {
namespace {

constexpr std::string_view state_header = "dekeyd-state 2\n";
constexpr std::string_view state_header_1 = "dekeyd-state 1\n";

void add(std::string& text, std::string_view key, bool value) {
    text.append(key).append(value ? " yes\n" : " no\n");
}

void add(std::string& text, std::string_view key, core::Duration value) {
    text.append(key).append(1, ' ').append(std::to_string(value.count())).append(1, '\n');
}

/// A lockout's note and those of the holds, by the words that the text has for them.
struct NoteRow {
    std::string_view word;
    Note Notes::*note;
    bool core::Memory::*stands;
};
constexpr std::array note_rows{NoteRow{"local", &Notes::local, &core::Memory::held_locally},
                               NoteRow{"remote", &Notes::remote, &core::Memory::held_remotely},
                               NoteRow{"lockout", &Notes::lockout, &core::Memory::locked_out}};

void add_note(std::string& text, std::string_view word, const Note& note) {
    text.append("note ").append(word).append(1, ' ').append(std::to_string(std::max<std::int64_t>(note.at_s, 0)));
    text.append(note.synchronised ? " synchronised" : " not-set").append(note.at_start ? " start " : " operator ");
    text.append(reason_of_bytes(note.reason)).append(1, '\n');
}

/// Takes the text apart; anything unexpected makes everything after it fail.
class Reader {
public:
    explicit Reader(std::string_view text) noexcept : rest_{text} {}

    bool flag(std::string_view key) noexcept {
        const std::string_view value = take(key);
        if (value != "yes" && value != "no") good_ = false;
        return value == "yes";
    }
    core::Duration duration(std::string_view key) noexcept {
        const auto count = number<core::Duration::rep>(key);
        if (count < 0) good_ = false;
        return core::Duration{count};
    }
    template <class Number>
    Number number(std::string_view key) noexcept {
        const auto count = core::to_number<Number>(take(key));
        if (!count) good_ = false;
        return count.value_or(Number{});
    }
    /// The value of the next line, which must have this key.
    std::string_view take(std::string_view key) noexcept {
        const std::size_t end = rest_.find('\n');
        if (end == std::string_view::npos || !rest_.starts_with(key) || rest_[key.size()] != ' ') {
            good_ = false;
            return {};
        }
        const std::string_view value = rest_.substr(key.size() + 1, end - key.size() - 1);
        rest_.remove_prefix(end + 1);
        return value;
    }
    [[nodiscard]] bool next_is(std::string_view key) const noexcept { return rest_.starts_with(key); }
    void fail() noexcept { good_ = false; }
    [[nodiscard]] bool good() const noexcept { return good_; }
    [[nodiscard]] bool done() const noexcept { return rest_.empty(); }

private:
    std::string_view rest_;
    bool good_ = true;
};

/// The word before the next space, which goes with it.
std::string_view word_of(std::string_view& text) noexcept {
    const std::size_t end = std::min(text.find(' '), text.size());
    const std::string_view word = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    return word;
}

bool take_note(std::string_view value, const core::Memory& memory, Notes& notes) {
    const std::string_view which = word_of(value), at = word_of(value), clock = word_of(value), who = word_of(value);
    const auto* const row = std::find_if(note_rows.begin(), note_rows.end(), [&](auto& r) { return r.word == which; });
    if (row == note_rows.end() || !(memory.*row->stands) || notes.*row->note != Note{}) return false;
    const auto at_s = core::to_number<std::int64_t>(at);
    if (!at_s || *at_s < 0) return false;
    Note note{.at_s = *at_s,
              .synchronised = clock == "synchronised",
              .at_start = who == "start",
              .reason = reason_of_bytes(value)};
    if ((!note.synchronised && clock != "not-set") || (!note.at_start && who != "operator")) return false;
    if (note.reason != value) return false;
    notes.*row->note = std::move(note);
    return true;
}

std::optional<std::size_t> find_source(const core::Plan& plan, std::string_view kind_and_id) {
    for (std::size_t source = 0; source < core::source_count(plan); ++source) {
        const core::SourceInfo info = core::describe_source(plan, static_cast<core::SourceIndex>(source));
        const std::string_view kind = core::source_kind_words.of(info.kind);
        if (kind_and_id.size() == kind.size() + 1 + info.id.size() && kind_and_id.starts_with(kind) &&
            kind_and_id[kind.size()] == ' ' && kind_and_id.ends_with(info.id)) {
            return source;
        }
    }
    return std::nullopt;
}

}  // namespace

StoredState blank_state(const core::Plan& plan) {
    StoredState state;
    state.memory.latched.assign(core::source_count(plan), std::uint8_t{0});
    return state;
}

StoredState damaged_state(const core::Plan& plan) {
    StoredState state = blank_state(plan);
    state.memory.unreadable = true;
    state.running = true;
    return state;
}

std::string to_text(const core::Plan& plan, const StoredState& state) {
    const core::Memory& memory = state.memory;
    std::string text{state_header};
    text.append("sequence ").append(std::to_string(state.sequence)).append(1, '\n');
    add(text, "running", state.running);
    add(text, "first-start", memory.first_start);
    add(text, "unreadable", memory.unreadable);
    add(text, "locked-out", memory.locked_out);
    add(text, "held-locally", memory.held_locally);
    add(text, "held-remotely", memory.held_remotely);
    add(text, "trip-level-ns", memory.trip_level);
    add(text, "unclean-level-ns", memory.unclean_level);
    for (std::size_t source = 0; source < memory.latched.size(); ++source) {
        if (memory.latched[source] == 0) continue;
        const core::SourceInfo info = core::describe_source(plan, static_cast<core::SourceIndex>(source));
        text.append("latched ")
            .append(core::source_kind_words.of(info.kind))
            .append(1, ' ')
            .append(info.id)
            .append(1, '\n');
    }
    for (const NoteRow& row : note_rows)
        if (memory.*row.stands && state.notes.*row.note != Note{}) add_note(text, row.word, state.notes.*row.note);
    return sealed_text(std::move(text));
}

std::optional<StoredState> whole_state(const core::Plan& plan, std::string_view text) {
    const auto body = unsealed_text(text);
    const bool first_version = body && body->starts_with(state_header_1);
    if (!body || (!first_version && !body->starts_with(state_header))) return std::nullopt;
    static_assert(state_header.size() == state_header_1.size());
    Reader reader{body->substr(state_header.size())};
    StoredState state = blank_state(plan);
    if (!first_version) state.sequence = reader.number<std::uint64_t>("sequence");
    core::Memory& memory = state.memory;
    state.running = reader.flag("running");
    memory.first_start = reader.flag("first-start");
    memory.unreadable = reader.flag("unreadable");
    memory.locked_out = reader.flag("locked-out");
    memory.held_locally = reader.flag("held-locally");
    memory.held_remotely = reader.flag("held-remotely");
    memory.trip_level = reader.duration("trip-level-ns");
    memory.unclean_level = reader.duration("unclean-level-ns");
    while (reader.good() && !reader.done()) {
        if (reader.next_is("note ")) {
            if (!take_note(reader.take("note"), memory, state.notes)) reader.fail();
            continue;
        }
        const std::string_view source = reader.take("latched");
        if (const auto index = find_source(plan, source); index.has_value()) {
            memory.latched[*index] = 1;
        } else {
            memory.unreadable = true;  // what latched can no longer be named, so only a reset may take it away
        }
    }
    if (!reader.good()) return std::nullopt;
    return state;
}

StoredState state_from_text(const core::Plan& plan, std::string_view text) {
    const auto state = whole_state(plan, text);
    return state ? *state : damaged_state(plan);
}

}  // namespace dekeyd::formats
