#include "dekeyctl/set_up/ask_blanks.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <istream>
#include <optional>
#include <sstream>
#include <vector>

#include "base/durable_file.hpp"
#include "configuration/blank_value.hpp"
#include "configuration/configuration.hpp"
#include "configuration/keys.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/set_up/blanks.hpp"
#include "dekeyctl/set_up/where.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using formats::blank_value;

constexpr std::string_view offers_heading = "# ---- 5.";

std::vector<std::string> lines_of(const std::string& text) {
    std::vector<std::string> lines;
    std::istringstream in{text};
    for (std::string line; std::getline(in, line);) lines.push_back(line);
    return lines;
}

std::string text_of_lines(const std::vector<std::string>& lines) {
    std::string text;
    for (const std::string& line : lines) text += line + '\n';
    return text;
}

std::string with_first_replaced(std::string text, std::string_view what, std::string_view by) {
    const auto at = text.find(what);
    return at == std::string::npos ? text : text.replace(at, what.size(), by);
}

/// "circulator" of "# circulator: {load_rating: …}"; empty where the line offers nothing.
std::string offered(const std::string& line) {
    const auto end = line.find(": ");
    if (!line.starts_with("# ") || end == std::string::npos || end + 2 >= line.size()) return {};
    const std::string key = line.substr(2, end - 2);
    const bool plain = std::all_of(key.begin(), key.end(), [](char c) { return (c >= 'a' && c <= 'z') || c == '_'; });
    return plain && (line[end + 2] == '{' || line[end + 2] == '[') ? key : std::string{};
}

class Asking {
public:
    Asking(const std::string& path, std::istream& in) : path_{path}, in_{in} {}

    int run() {
        std::ifstream file{path_, std::ios::binary};
        std::ostringstream read;
        read << file.rdbuf();
        if (!file) return fail(path_ + " can't be read");
        text_ = read.str();
        say(stdout,
            "Each answer is written at once: end with Ctrl-D, and the same command goes on from there. Enter "
            "alone leaves a question for later.");
        bool here = blanks();
        while (here && offer()) here = blanks();
        const std::size_t left = blanks_of(text_).size();
        const std::size_t open = left + offers();
        say(stdout, open > 0
                        ? fmt::format("{} left: 'dekeyctl find --ask {}' goes on.", counted(open, "question"), path_)
                        : fmt::format("Nothing is left to ask. Next: 'dekeyctl check {}'.", path_));
        return open > 0 || !trouble_.empty() ? exit_refused : exit_done;
    }

private:
    int fail(const std::string& trouble) {
        trouble_ = trouble;
        say(stderr, "dekeyctl: " + trouble);
        return exit_refused;
    }

    bool keep(std::string text) {
        if (const auto trouble = formats::write_durably(path_, text, formats::Access::as_it_was); !trouble.empty()) {
            fail(trouble);
            return false;
        }
        text_ = std::move(text);
        return true;
    }

    /// Nothing at the end of the input.
    std::optional<std::string> line_of(const std::string& prompt) {
        fmt::print("{} ", prompt);
        std::fflush(stdout);
        std::string answer;
        if (!std::getline(in_, answer)) {
            fmt::print("\n");
            return std::nullopt;
        }
        const auto first = answer.find_first_not_of(" \t\r");
        if (first == std::string::npos) return std::string{};
        return answer.substr(first, answer.find_last_not_of(" \t\r") - first + 1);
    }

    void show(const Blank& blank) const {
        const formats::KeyRow* const row = formats::find_key(formats::configuration_keys(), blank.key, "");
        const std::string_view where = where_found(blank.key);
        say(stdout, fmt::format("\n{}{}", blank.key, where.empty() ? "" : fmt::format("  (see {})", where)));
        if (row != nullptr) say(stdout, fmt::format("  {}", row->says));
        if (blank.key.ends_with("detector.slope")) say(stdout, "  'diode' where it is one, in its square-law region.");
        // What the file itself says of it: the inputs that are there, with their readings.
        const auto lines = lines_of(text_);
        std::size_t first = blank.line - 1;
        while (first > 0 && lines[first - 1].find_first_not_of(' ') != std::string::npos &&
               lines[first - 1][lines[first - 1].find_first_not_of(' ')] == '#')
            --first;
        for (; first + 1 < blank.line; ++first) {
            const std::string comment = lines[first].substr(lines[first].find('#') + 1);
            if (comment.starts_with("   ") || comment.starts_with(" free:")) say(stdout, " " + comment);
        }
    }

    /// Every blank once. False: the input ended, or the file can't be written.
    bool blanks() {
        std::size_t skipped = 0;
        for (auto open = blanks_of(text_); skipped < open.size(); open = blanks_of(text_)) {
            const Blank blank = open[skipped];
            show(blank);
            const auto answer = line_of(fmt::format("[{} left]", open.size()));
            if (!answer) return false;
            if (answer->empty()) {
                ++skipped;
                continue;
            }
            Answered taken = blank.key.ends_with("detector.slope") && *answer == "diode"
                                 ? Answered{.text = diode(blank)}
                                 : answered(text_, blank.key, *answer);
            if (taken.text.empty()) {
                say(stdout, "  " + taken.refused);
                continue;
            }
            if (!keep(std::move(taken.text))) return false;
        }
        return true;
    }

    std::string diode(const Blank& blank) {
        auto lines = lines_of(text_);
        lines[blank.line - 1] = fmt::format("    detector: {{square_law: {0}, floor: {0}, ceiling: {0}}}", blank_value);
        return text_of_lines(lines);
    }

    /// So many lines are offered still.
    [[nodiscard]] std::size_t offers() const {
        const auto lines = lines_of(text_);
        const auto begin = std::find_if(lines.begin(), lines.end(),
                                        [](const std::string& line) { return line.starts_with(offers_heading); });
        return static_cast<std::size_t>(
            std::count_if(begin, lines.end(), [](const std::string& line) { return !offered(line).empty(); }));
    }

    /// One line that the file offers in a comment. False: none is left, or the input ended.
    bool offer() {
        auto lines = lines_of(text_);
        const auto begin = std::find_if(lines.begin(), lines.end(),
                                        [](const std::string& line) { return line.starts_with(offers_heading); });
        const auto found =
            std::find_if(begin, lines.end(), [](const std::string& line) { return !offered(line).empty(); });
        if (found == lines.end()) return false;
        const std::string key = offered(*found);
        std::string says;  // what the file says of it; another offer's line isn't of it
        for (auto above = found - 1; above != begin && above->starts_with("# ") && offered(*above).empty(); --above)
            says = fmt::format("\n  {}{}", above->substr(2), says);
        const auto answer = line_of(fmt::format("{}\n{}\nHave it? [y/N]", says, found->substr(2)));
        if (!answer) return false;
        const bool yes = *answer == "y" || *answer == "Y" || *answer == "yes";
        if (yes) *found = found->substr(2);
        // Declined, or another form of what is there now: gone, so that it isn't asked again.
        const auto other = [&](const std::string& line) { return yes ? offered(line) == key : &line == &*found; };
        std::vector<std::string> kept;
        for (const std::string& line : lines)
            if (!other(line)) kept.push_back(line);
        std::string text = text_of_lines(kept);
        if (yes && key == "circulator")
            text = with_first_replaced(text, "\nmain_line: [amplifier, ", "\nmain_line: [amplifier, circulator, ");
        return keep(std::move(text));
    }

    const std::string& path_;
    std::istream& in_;
    std::string text_, trouble_;
};

}  // namespace

Answered answered(const std::string& text, std::string_view key, const std::string& answer) {
    const auto open = blanks_of(text);
    const auto blank = std::find_if(open.begin(), open.end(), [&](const Blank& one) { return one.key == key; });
    if (blank == open.end()) return {.refused = fmt::format("there is no blank '{}'", key)};
    if (answer.find('#') != std::string::npos || answer.find(blank_value) != std::string::npos)
        return {.refused = fmt::format("a value without '#' and '{}' is expected", blank_value)};
    auto lines = lines_of(text);
    lines[blank->line - 1] = with_first_replaced(lines[blank->line - 1], blank_value, answer);
    std::string whole = text_of_lines(lines);
    const formats::Loaded loaded = formats::load_configuration(whole);
    for (const formats::Fault& fault : loaded.faults) {
        // A text that is no YAML any more has a fault without a key.
        if (fault.key != key && !fault.key.empty()) continue;
        return {.refused = printable(fmt::format("{}; expected {}", fault.what, fault.expected))};
    }
    return {.text = std::move(whole)};
}

int ask_blanks(const std::string& path, std::istream& in) {
    return Asking{path, in}.run();
}

}  // namespace dekeyd::ctl
