#include "dekeyctl/set_up/blanks.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <sstream>
#include <utility>

#include "configuration/blank_value.hpp"
#include "configuration/keys.hpp"
#include "dekeyctl/set_up/where.hpp"

namespace dekeyd::ctl {
namespace {

// The keys that are open at a place of the text, by indentation, then by braces.
class Path {
public:
    void line(std::size_t indent) {
        while (!keys_.empty() && keys_.back().first >= indent) keys_.pop_back();
        depth_ = indent;
    }
    void key(std::string name) {
        while (!keys_.empty() && keys_.back().first >= depth_) keys_.pop_back();
        keys_.emplace_back(depth_, std::move(name));
    }
    void open() { ++depth_; }
    void close() {
        --depth_;
        while (!keys_.empty() && keys_.back().first > depth_) keys_.pop_back();
    }
    [[nodiscard]] std::string text() const {
        std::string path;
        for (const auto& [depth, name] : keys_) path += (path.empty() ? "" : ".") + name;
        return path;
    }

private:
    std::vector<std::pair<std::size_t, std::string>> keys_;
    std::size_t depth_ = 0;
};

}  // namespace

std::vector<Blank> blanks_of(std::string_view yaml) {
    std::vector<Blank> blanks;
    Path path;
    std::istringstream in{std::string{yaml}};
    std::string row;
    for (std::size_t line = 1; std::getline(in, row); ++line) {
        const std::size_t indent = row.find_first_not_of(' ');
        if (indent == std::string::npos || row[indent] == '#') continue;
        path.line(indent);
        std::string word;
        char quote = 0;
        for (std::size_t i = indent; i <= row.size(); ++i) {
            const char c = i < row.size() ? row[i] : '\n';
            if (quote != 0) {
                if (c == quote) quote = 0;
                continue;
            }
            if (c == '"' || c == '\'') quote = c;
            const bool comment = c == '#' && i > 0 && row[i - 1] == ' ';
            if (c == ':' || c == ' ' || c == ',' || c == '{' || c == '}' || c == '\n' || comment) {
                if (c == ':' && (i + 1 >= row.size() || row[i + 1] == ' ')) path.key(word);
                if (word == formats::blank_value) blanks.push_back({.line = line, .key = path.text()});
                word.clear();
                if (c == '{') path.open();
                if (c == '}') path.close();
                if (comment) break;
                continue;
            }
            word += c;
        }
    }
    return blanks;
}

namespace {

/// "2.5 W" of "2.5 W, 50 mW or 34 dBm".
std::string_view first_example(formats::Dimension dimension) {
    const std::string_view examples = formats::example_of(dimension);
    return examples.substr(0, std::min(examples.find(','), examples.find(" or ")));
}

}  // namespace

std::string with_examples(std::string_view yaml) {
    const std::vector<Blank> blanks = blanks_of(yaml);
    std::string text;
    std::istringstream in{std::string{yaml}};
    std::string row;
    for (std::size_t line = 1; std::getline(in, row); ++line) {
        for (const Blank& blank : blanks) {
            if (blank.line != line || !blank.key.starts_with("amplifier.")) continue;
            const formats::KeyRow* const known = formats::find_key(formats::configuration_keys(), blank.key, "");
            const auto at = row.find(formats::blank_value);
            if (known != nullptr && known->kind == formats::KeyKind::quantity)
                row.replace(at, formats::blank_value.size(), first_example(known->dimension));
        }
        text += row + '\n';
    }
    return text;
}

std::string to_do(const Blank& blank) {
    const formats::KeyRow* const row = formats::find_key(formats::configuration_keys(), blank.key, "");
    const std::string_view where = where_found(blank.key);
    return fmt::format("line {}, {}{}{}", blank.line, blank.key, where.empty() ? "" : fmt::format(" ({})", where),
                       row == nullptr || row->says.empty() ? "" : fmt::format(": {}", row->says));
}

}  // namespace dekeyd::ctl
