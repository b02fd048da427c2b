#include "configuration/yaml_tree.hpp"

#include <fmt/format.h>
#include <yaml-cpp/eventhandler.h>
#include <yaml-cpp/exceptions.h>
#include <yaml-cpp/parser.h>

#include <algorithm>
#include <array>
#include <sstream>
#include <utility>

namespace dekeyd::formats {
namespace {

Place place_of(const YAML::Mark& mark) {
    if (mark.line < 0 || mark.column < 0) return {};
    return {.line = static_cast<std::size_t>(mark.line) + 1, .column = static_cast<std::size_t>(mark.column) + 1};
}

/// Length of the UTF-8 character at `at`, or 0 where there is none. Overlong forms and surrogates are none.
std::size_t character_length(std::string_view text, std::size_t at) {
    const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
    const unsigned char lead = byte(at);
    if (lead < 0x80) return 1;
    const std::size_t length = lead >= 0xf0 ? 4 : lead >= 0xe0 ? 3 : 2;
    if (lead < 0xc2 || lead > 0xf4 || at + length > text.size()) return 0;
    for (std::size_t i = 1; i < length; ++i) {
        if ((byte(at + i) & 0xc0U) != 0x80U) return 0;
    }
    const unsigned char second = byte(at + 1);
    if ((lead == 0xe0 && second < 0xa0) || (lead == 0xed && second >= 0xa0)) return 0;
    if ((lead == 0xf0 && second < 0x90) || (lead == 0xf4 && second >= 0x90)) return 0;
    return length;
}

/// Faults that are found without a parser; stops at the first byte that isn't text.
std::vector<Fault> scan_bytes(std::string_view yaml) {
    std::vector<Fault> faults;
    if (yaml.size() > largest_text) {
        faults.push_back({.line = 1,
                          .column = 1,
                          .key = {},
                          .what = fmt::format("the text has {} bytes", yaml.size()),
                          .expected = "at most 1 MiB: is this the right file?"});
        return faults;
    }
    std::size_t line = 1;
    std::size_t line_start = 0;
    bool in_comment = false;
    bool tab_said = false;
    for (std::size_t at = 0; at < yaml.size();) {
        const char c = yaml[at];
        const std::size_t column = at - line_start + 1;
        if (c == '\n') {
            ++line;
            line_start = at + 1;
            in_comment = false;
            tab_said = false;
            ++at;
            continue;
        }
        if (c == '#') in_comment = true;
        if (c == '\t' && !in_comment && !tab_said) {
            tab_said = true;
            faults.push_back({.line = line,
                              .column = column,
                              .key = {},
                              .what = "a tab",
                              .expected = "blanks: YAML forbids tabs where it counts the indentation"});
        }
        const bool control = static_cast<unsigned char>(c) < 0x20 || c == 0x7f;
        const bool line_end = c == '\r' && at + 1 < yaml.size() && yaml[at + 1] == '\n';
        const std::size_t length = character_length(yaml, at);
        if (length == 0 || (control && c != '\t' && !line_end)) {
            faults.push_back({.line = line,
                              .column = column,
                              .key = {},
                              .what = fmt::format("byte 0x{:02x} is not text", static_cast<unsigned char>(c)),
                              .expected = "a text file in UTF-8: is this the right file?"});
            return faults;
        }
        at += length;
    }
    return faults;
}

/// True where the quoted text that begins at `at` ends on its own line. (The library takes an unclosed one silently,
/// with all that follows it.)
bool closes_on_its_line(std::string_view line, std::size_t at) {
    if (at >= line.size() || (line[at] != '\'' && line[at] != '"')) return true;
    const char quote = line[at];
    for (std::size_t i = at + 1; i < line.size(); ++i) {
        if (quote == '"' && line[i] == '\\') {
            ++i;
        } else if (line[i] == quote) {
            const bool doubled = quote == '\'' && i + 1 < line.size() && line[i + 1] == quote;
            if (!doubled) return true;
            ++i;
        }
    }
    return false;
}

/// Ends the library's work from inside its callback, where going on would be of no use.
struct Refusal {
    Fault fault;
};

/// Builds the tree from the library's events, so that nothing deep or shared ever comes into being.
class Builder : public YAML::EventHandler {
public:
    Builder(std::string_view yaml, std::vector<Fault>& faults) : faults_{faults} {
        for (std::size_t start = 0; start <= yaml.size();) {
            const std::size_t end = std::min(yaml.find('\n', start), yaml.size());
            lines_.push_back(yaml.substr(start, end - start));
            start = end + 1;
        }
    }

    [[nodiscard]] std::optional<Node> take() { return std::exchange(root_, std::nullopt); }

    void OnDocumentStart(const YAML::Mark& mark) override {
        if (documents_++ > 0)
            refuse(place_of(mark), "a second document begins here",
                   "one document: remove '---' and what belongs to it");
    }
    void OnDocumentEnd() override {}
    void OnNull(const YAML::Mark& mark, YAML::anchor_t anchor) override {
        note_anchor(mark, anchor);
        put(node_at(mark, Node::Kind::null));
    }
    void OnAlias(const YAML::Mark& mark, YAML::anchor_t /*anchor*/) override {
        note(place_of(mark), "an alias (*name)", "the value itself: each is written out where it counts");
        put(node_at(mark, Node::Kind::null));
    }
    void OnScalar(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor,
                  const std::string& value) override {
        note_anchor(mark, anchor);
        note_tag(mark, tag);
        Node node = node_at(mark, Node::Kind::scalar);
        const bool quoted = tag == "!";
        if (quoted && node.place.line > 0 && node.place.line <= lines_.size() &&
            !closes_on_its_line(lines_[node.place.line - 1], node.place.column - 1))
            refuse(node.place, "a quote that is not closed on its line", "the closing quote");
        node.text = value;
        put(std::move(node));
    }
    void OnSequenceStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor,
                         YAML::EmitterStyle::value /*style*/) override {
        open(mark, tag, anchor, Node::Kind::sequence);
    }
    void OnSequenceEnd() override { close(); }
    void OnMapStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor,
                    YAML::EmitterStyle::value /*style*/) override {
        open(mark, tag, anchor, Node::Kind::map);
    }
    void OnMapEnd() override { close(); }

private:
    struct Level {
        Node node;
        std::optional<Node> key;  ///< of a map: read, its value to come
    };

    static Node node_at(const YAML::Mark& mark, Node::Kind kind) {
        Node node;
        node.kind = kind;
        node.place = place_of(mark);
        return node;
    }

    void note(Place place, std::string what, std::string expected) {
        faults_.push_back({.line = place.line,
                           .column = place.column,
                           .key = {},
                           .what = std::move(what),
                           .expected = std::move(expected)});
    }
    [[noreturn]] static void refuse(Place place, std::string what, std::string expected) {
        throw Refusal{{.line = place.line,
                       .column = place.column,
                       .key = {},
                       .what = std::move(what),
                       .expected = std::move(expected)}};
    }
    void note_anchor(const YAML::Mark& mark, YAML::anchor_t anchor) {
        if (anchor != 0) note(place_of(mark), "an anchor (&name)", "the value without it");
    }
    void note_tag(const YAML::Mark& mark, const std::string& tag) {
        if (!tag.empty() && tag != "?" && tag != "!") note(place_of(mark), "a tag (!type)", "the value without it");
    }

    void open(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor, Node::Kind kind) {
        note_anchor(mark, anchor);
        note_tag(mark, tag);
        if (levels_.size() >= deepest_nesting)
            refuse(place_of(mark), fmt::format("nesting deeper than {}", deepest_nesting),
                   "sections as in the annotated configuration: a bracket or an indentation too many?");
        levels_.push_back({node_at(mark, kind), std::nullopt});
    }

    void close() {
        Node done = std::move(levels_.back().node);
        levels_.pop_back();
        put(std::move(done));
    }

    void put(Node node) {
        if (levels_.empty()) {
            root_ = std::move(node);
            return;
        }
        Level& level = levels_.back();
        if (level.node.kind == Node::Kind::sequence) {
            level.node.items.push_back(std::move(node));
        } else if (!level.key) {
            level.key = std::move(node);
        } else {
            add_entry(level.node, *std::exchange(level.key, std::nullopt), std::move(node));
        }
    }

    void add_entry(Node& map, Node key, Node value) {
        if (key.kind != Node::Kind::scalar) {
            note(key.place, "a key that is not a word", "a name followed by a colon and its value");
            return;
        }
        if (key.text == "<<") {
            note(key.place, "a merge key (<<)", "the keys themselves, written out");
            return;
        }
        if (map.entries.size() >= largest_section)
            refuse(key.place, fmt::format("a section with more than {} keys", largest_section),
                   "sections as in the annotated configuration: is this the right file?");
        const auto first =
            std::find_if(map.entries.begin(), map.entries.end(), [&](const Entry& e) { return e.key == key.text; });
        if (first != map.entries.end()) {
            note(key.place, fmt::format("'{}' is here for the second time", shortened(key.text)),
                 fmt::format("each key once; the first is on line {}", first->place.line));
            return;
        }
        map.entries.push_back({std::move(key.text), key.place, std::move(value)});
    }

    std::vector<Fault>& faults_;
    std::vector<std::string_view> lines_;
    std::vector<Level> levels_;
    std::optional<Node> root_;
    int documents_ = 0;
};

/// The library's short words with what usually mends them.
std::string mend(std::string_view message) {
    constexpr std::array<std::pair<std::string_view, std::string_view>, 6> known{{
        {"end of map not found", "keys of one section in one column, and a closed '}' for each '{'"},
        {"end of map flow not found", "a closing '}' and commas between the entries"},
        {"end of sequence flow not found", "a closing ']' and commas between the items"},
        {"end of sequence not found", "the dashes of a list in one column"},
        {"illegal map value", "'key: value', with one colon a line; text with a colon goes in quotes"},
        {"illegal EOF in scalar", "a closing quote"},
    }};
    for (const auto& [words, advice] : known) {
        if (message == words) return std::string{advice};
    }
    return "YAML as in the annotated configuration";
}

struct Blame {
    Place place;
    std::string what;
};

/// A line without its comment and the blanks at its ends. A '#' in quotes is rare, and only the place's choice hangs on
/// it.
std::string_view content_of(std::string_view line) {
    for (std::size_t at = 0; at < line.size(); ++at)
        if (line[at] == '#' && (at == 0 || line[at - 1] == ' ')) line = line.substr(0, at);
    const std::size_t begin = line.find_first_not_of(" \r");
    if (begin == std::string_view::npos) return {};
    return line.substr(begin, line.find_last_not_of(" \r") - begin + 1);
}

/// Where a bracket was opened that isn't closed before `until`; brackets in quotes don't count.
std::optional<Place> open_bracket(const std::vector<std::string_view>& lines, Place until) {
    std::vector<Place> open;
    for (std::size_t i = 0; i < lines.size() && i < until.line; ++i) {
        char quote = 0;
        for (std::size_t at = 0; at < lines[i].size(); ++at) {
            const char c = lines[i][at];
            if (i + 1 == until.line && at + 1 >= until.column) break;
            if (quote == 0 && c == '#' && (at == 0 || lines[i][at - 1] == ' ')) break;
            if (quote != 0 || c == '"' || c == '\'') {
                if (quote == 0 || c == quote) quote = quote == 0 ? c : '\0';
            } else if (c == '[' || c == '{') {
                open.push_back({.line = i + 1, .column = at + 1});
            } else if ((c == ']' || c == '}') && !open.empty()) {
                open.pop_back();
            }
        }
    }
    return open.empty() ? std::nullopt : std::optional{open.back()};
}

// The library stops where it can't go on, which is often the line after the one that is wrong.
Blame blame_for(std::string_view yaml, Place at, const std::string& message) {
    std::vector<std::string_view> lines;
    for (std::string_view left = yaml; !left.empty();) {
        const std::size_t end = std::min(left.find('\n'), left.size());
        lines.push_back(left.substr(0, end));
        left.remove_prefix(std::min(end + 1, left.size()));
    }
    if (message.ends_with("flow not found")) {
        const auto opened = open_bracket(lines, at);
        if (opened && opened->line < at.line) {
            return {*opened, fmt::format("'{}' is not closed before line {}",
                                         lines[opened->line - 1][opened->column - 1], at.line)};
        }
    }
    if (message == "illegal map value" || message == "end of map not found") {
        // Its own line, or the one with content before it.
        std::size_t looked_at = std::min(at.line, lines.size());
        for (int looks = 0; looks < 2 && looked_at > 0; ++looks, --looked_at) {
            while (looked_at > 0 && content_of(lines[looked_at - 1]).empty()) --looked_at;
            if (looked_at == 0) break;
            const std::string_view content = content_of(lines[looked_at - 1]);
            if (content.find(": ") != std::string_view::npos || content.ends_with(':') || content.starts_with('-'))
                continue;
            const auto column = static_cast<std::size_t>(content.data() - lines[looked_at - 1].data()) + 1;
            return {{.line = looked_at, .column = column}, "this line has no ': ' after its key"};
        }
    }
    return {at, message};
}

}  // namespace

std::string shortened(std::string_view text) {
    constexpr std::size_t longest = 60;
    if (text.size() <= longest) return std::string{text};
    std::size_t end = longest;
    while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xc0U) == 0x80U) --end;
    return std::string{text.substr(0, end)} + "…";
}

Tree read_tree(std::string_view yaml) {
    Tree tree;
    if (yaml.starts_with("\xef\xbb\xbf")) yaml.remove_prefix(3);  // some editors' mark of UTF-8
    tree.faults = scan_bytes(yaml);
    if (!tree.faults.empty()) return tree;
    try {
        std::istringstream stream{std::string{yaml}};
        Builder builder{yaml, tree.faults};
        YAML::Parser parser{stream};
        if (parser.HandleNextDocument(builder)) {
            tree.root = builder.take();
            parser.HandleNextDocument(builder);  // refused by the builder if there is one
        } else {
            tree.root.emplace().place = {1, 1};
        }
    } catch (const Refusal& refusal) {
        tree.faults.push_back(refusal.fault);
        tree.root.reset();
    } catch (const YAML::Exception& error) {
        const Blame blame = blame_for(yaml, place_of(error.mark), error.msg);
        tree.faults.push_back({.line = blame.place.line,
                               .column = blame.place.column,
                               .key = {},
                               .what = fmt::format("not YAML: {}", blame.what),
                               .expected = mend(error.msg)});
        tree.root.reset();
    } catch (const std::exception& error) {
        tree.faults.push_back({.line = 1,
                               .column = 1,
                               .key = {},
                               .what = fmt::format("not readable: {}", error.what()),
                               .expected = "YAML as in the annotated configuration"});
        tree.root.reset();
    }
    return tree;
}

}  // namespace dekeyd::formats
