#include "configuration/configuration.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <set>
#include <tuple>

#include "base/durable_file.hpp"
#include "configuration/blank_value.hpp"
#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

/// Columns in characters rather than bytes: a "°" before a fault doesn't move it.
void count_characters(std::string_view yaml, std::vector<Fault>& faults) {
    std::vector<std::size_t> starts{0};
    for (std::size_t at = 0; at < yaml.size(); ++at) {
        if (yaml[at] == '\n') starts.push_back(at + 1);
    }
    for (Fault& fault : faults) {
        if (fault.line == 0 || fault.line > starts.size() || fault.column < 2) continue;
        const std::string_view before = yaml.substr(starts[fault.line - 1], fault.column - 1);
        fault.column = 1 + static_cast<std::size_t>(std::count_if(before.begin(), before.end(), [](char c) {
                           return (static_cast<unsigned char>(c) & 0xc0U) != 0x80U;
                       }));
    }
}

void sort_and_cap(std::vector<Fault>& faults) {
    std::stable_sort(faults.begin(), faults.end(), [](const Fault& a, const Fault& b) {
        return std::tie(a.line, a.column) < std::tie(b.line, b.column);
    });
    if (faults.size() <= most_faults) return;
    const std::size_t more = faults.size() - most_faults;
    faults.resize(most_faults);
    faults.push_back({.line = faults.back().line,
                      .column = faults.back().column,
                      .key = {},
                      .what = fmt::format("and {} more faults", more),
                      .expected = "mend those above first"});
}

constexpr std::array format_words{Word{"1", 1}};

constexpr std::array top_rows{
    KeyRow{.path = "dekeyd",
           .kind = KeyKind::word,
           .need = Need::required,
           .words = format_words,
           .says = "The version of this format."},
    KeyRow{.path = "accept",
           .kind = KeyKind::texts,
           .says = "Words that faults have named, by which a value beyond its usual range, a pair that doesn't fit or "
                   "a hazard without a limit is taken."},
};

/// A format that this program doesn't know may mean something else by the same words.
void read_format(Section& top) {
    constexpr long known = format_words.front().value;
    constexpr long imaginable = 1'000'000;
    const auto format = top.whole("dekeyd", 1, imaginable, Need::required);
    if (format && *format != known) {
        top.fault("dekeyd", fmt::format("version {} of the format; this dekeyd knows version {}", *format, known),
                  fmt::format("a dekeyd that knows it, or a file as version {} has it ('dekeyd: {}')", known, known));
    }
}

/// The words by which the text takes what a range or a relation forbids.
/// Where a section that the rest refers to is misspelt, what the rest lacks follows from that, and isn't told beside
/// it.
void leave_out_what_follows(std::vector<Fault>& faults) {
    const auto unknown = [](const Fault& fault) { return fault.what.ends_with("' is not known here"); };
    const bool misspelt = std::any_of(faults.begin(), faults.end(), [&](const Fault& fault) {
        return unknown(fault) && fault.key.find('.') == std::string::npos &&
               (fault.expected == "did you mean 'sensors'?" || fault.expected == "did you mean 'buses'?" ||
                fault.expected == "did you mean 'amplifier'?");
    });
    if (misspelt) std::erase_if(faults, [&](const Fault& fault) { return !unknown(fault); });
}

void read_accept(Section& top, Report& report) {
    const Node* const list = top.list("accept");
    if (list == nullptr) return;
    std::set<std::string> seen;
    for (const Node& item : list->items) {
        const Place place = item.place.line == 0 ? list->place : item.place;
        if (item.kind != Node::Kind::scalar || item.text.empty()) {
            report.fault(place, "accept", "no word", "a word that a fault has named, such as 'no-heat-limit'");
        } else if (!seen.insert(item.text).second) {
            report.fault(place, "accept", fmt::format("'{}' comes twice", shortened(item.text)), "each word once");
        } else {
            report.accept(item.text, place);
        }
    }
}

void read_all(const Node& root, Draft& draft) {
    Section top{&root, {1, 1}, "", draft.report};
    if (!top.present()) return;
    read_format(top);
    read_accept(top, draft.report);
    read_device(top, draft);
    read_line(top, draft);
    read_guard(top, draft);
    read_buses(top, draft);
    read_emission(top, draft);
    read_stages(top, draft);
    read_sensors(top, draft);
    read_amplifier(top, draft);
    read_main_line(top, draft);
    read_heat(top, draft);
    read_antenna(top, draft);
    read_level_plan(top, draft);
    assign_slots(draft);
    plan_emission(draft);
    check_ages(draft);
    read_rules(top, draft);
    read_limits(top, draft);
    check_emission(draft);
    read_commissioning(top, draft);
    read_mqtt(top, draft);
    read_signal(top, draft);
    read_recorder(top, draft);
    read_proof(top, draft);
    top.finish();
    check_relations(top, draft);
    give_advice(draft);
    draft.report.finish_accepted();
    leave_out_what_follows(draft.report.faults());
}

Loaded only_fault(std::size_t line, std::string what, std::string expected) {
    Loaded loaded;
    loaded.faults.push_back({.line = line,
                             .column = line == 0 ? 0U : 1U,
                             .key = {},
                             .what = std::move(what),
                             .expected = std::move(expected)});
    return loaded;
}

/// Each blank is a fault, also where any text would do; one that was refused already keeps its own words.
void refuse_placeholders(const Node& node, const std::string& path, std::vector<Fault>& faults) {
    for (const Node& item : node.items) refuse_placeholders(item, path, faults);
    for (const Entry& entry : node.entries)
        refuse_placeholders(entry.value, path.empty() ? entry.key : path + '.' + entry.key, faults);
    if (node.kind != Node::Kind::scalar || node.text != blank_value) return;
    const bool told = std::any_of(faults.begin(), faults.end(), [&](const Fault& fault) {
        return fault.line == node.place.line && fault.column == node.place.column;
    });
    if (!told)
        faults.push_back({.line = node.place.line,
                          .column = node.place.column,
                          .key = path,
                          .what = fmt::format("'{}' is still to be replaced", blank_value),
                          .expected = "your value, or the key removed where it doesn't apply"});
}

bool is_of(std::string_view section, const Fault& fault) {
    return fault.key.substr(0, fault.key.find('.')) == section;
}
bool is_of_mqtt(const Fault& fault) {
    return is_of("mqtt", fault);
}
bool is_of_the_telemetry(const Fault& fault) {
    return is_of_mqtt(fault) || is_of("signal", fault);
}

Loaded load(std::string_view yaml, const std::string& folder, Reads reads) {
    Tree tree = read_tree(yaml);
    Draft draft;
    draft.folder = folder;
    draft.report.keys = configuration_keys();
    draft.report.faults() = std::move(tree.faults);
    const bool empty = tree.root && tree.root->kind == Node::Kind::null;
    if (empty && draft.report.faults().empty())
        return only_fault(1, "the configuration is empty", "the sections of the annotated configuration");
    if (tree.root && !empty) {
        read_all(*tree.root, draft);
        refuse_placeholders(*tree.root, {}, draft.report.faults());
    }
    Loaded loaded;
    loaded.faults = std::move(draft.report.faults());
    loaded.advice = std::move(draft.report.advice());
    std::stable_sort(loaded.advice.begin(), loaded.advice.end(),
                     [](const Advice& a, const Advice& b) { return a.line < b.line; });
    const bool guards_all_the_same = reads == Reads::the_guards_part &&
                                     std::all_of(loaded.faults.begin(), loaded.faults.end(), &is_of_the_telemetry);
    if (guards_all_the_same && std::any_of(loaded.faults.begin(), loaded.faults.end(), &is_of_mqtt))
        draft.configuration.mqtt = MqttConfig{};
    // The guard must not see it.
    if (reads == Reads::the_guards_part) draft.configuration.signal.reset();
    sort_and_cap(loaded.faults);
    count_characters(yaml, loaded.faults);
    if (loaded.faults.empty() || guards_all_the_same) {
        draft.configuration.advice = loaded.advice;
        draft.configuration.accepted = std::move(draft.report.accepted());
        draft.configuration.text = yaml;
        draft.configuration.folder = folder;
        loaded.configuration = std::move(draft.configuration);
    }
    return loaded;
}

}  // namespace

std::span<const KeyRow> top_keys() {
    return top_rows;
}

Loaded load_configuration(std::string_view yaml, const std::string& folder, Reads reads) {
    try {
        return load(yaml, folder, reads);
    } catch (const std::exception& error) {
        return only_fault(1, fmt::format("could not be read: {}", error.what()), "a smaller text");
    }
}

Loaded load_configuration_file(const std::string& path, Reads reads) {
    const int file = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (file < 0)
        return only_fault(0, fmt::format("can't be opened: {}", std::strerror(errno)),
                          "a configuration file that this user may read");
    struct stat status {};
    if (::fstat(file, &status) != 0 || !S_ISREG(status.st_mode)) {
        ::close(file);
        return only_fault(0, "is not a plain file", "a configuration file");
    }
    std::string text;
    std::array<char, 16384> part{};
    while (text.size() <= largest_text) {
        const ssize_t got = ::read(file, part.data(), part.size());
        if (got < 0 && errno == EINTR) continue;
        if (got < 0) {
            const int error = errno;
            ::close(file);
            return only_fault(0, fmt::format("can't be read: {}", std::strerror(error)), "a readable file");
        }
        if (got == 0) break;
        text.append(part.data(), static_cast<std::size_t>(got));
    }
    ::close(file);
    const std::size_t slash = path.rfind('/');
    return load_configuration(text, slash == std::string::npos ? "" : slash == 0 ? "/" : path.substr(0, slash), reads);
}

std::string render(const std::string& file, std::string_view yaml, const Fault& fault) {
    const std::string key = fault.key.empty() ? "" : fault.key + ": ";
    const std::string where =
        fault.line == 0 ? file : fmt::format("{}:{}:{}", file, fault.line, std::max<std::size_t>(fault.column, 1));
    std::string result = fmt::format("{}: error: {}{}\n", where, key, fault.what);
    std::size_t start = 0;
    std::size_t line = 1;
    while (line < fault.line && start != std::string_view::npos) {
        start = yaml.find('\n', start);
        if (start != std::string_view::npos) ++start;
        ++line;
    }
    if (fault.line != 0 && start != std::string_view::npos && start <= yaml.size()) {
        std::string_view source = yaml.substr(start, yaml.substr(start).find('\n'));
        constexpr std::size_t longest = 240;
        // Control characters would reach the terminal, and half a character would spoil the line.
        std::string shown;
        std::size_t characters = 0;
        for (const char c : source) {
            const auto byte = static_cast<unsigned char>(c);
            if ((byte & 0xc0U) != 0x80U && ++characters > longest) break;
            shown.push_back(byte < 0x20 || byte == 0x7f ? ' ' : c);
        }
        const std::size_t column = std::clamp<std::size_t>(fault.column, 1, longest + 1);
        result += fmt::format("{:>5} | {}\n      | {}^\n", fault.line, shown, std::string(column - 1, ' '));
    }
    result += fmt::format("  expected: {}\n", fault.expected);
    return result;
}

std::string render(const std::string& file, const Loaded& loaded) {
    const std::string yaml = read_whole(file, largest_text).bytes;
    std::string text;
    for (const Fault& fault : loaded.faults) text += render(file, yaml, fault) + '\n';
    return text;
}

}  // namespace dekeyd::formats
