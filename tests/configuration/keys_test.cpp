// Every row of the configuration's keys: it is whole, it is read, and what it says of its value holds.
#include "configuration/keys.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <fstream>
#include <iterator>
#include <regex>
#include <set>
#include <string>
#include <vector>

#include "configuration/checks/ranges.hpp"
#include "configuration/configuration.hpp"
#include "configuration/section.hpp"
#include "stations.hpp"

using namespace dekeyd::formats;

namespace {

bool of_kind(const KeyRow& row, std::initializer_list<KeyKind> kinds) {
    return std::find(kinds.begin(), kinds.end(), row.kind) != kinds.end();
}
bool holds_keys(const KeyRow& row) {
    return of_kind(row, {KeyKind::section, KeyKind::named, KeyKind::sections});
}

std::vector<std::string> split(std::string_view text, char at) {
    std::vector<std::string> parts;
    while (true) {
        const std::size_t end = text.find(at);
        parts.emplace_back(text.substr(0, end));
        if (end == std::string_view::npos) return parts;
        text.remove_prefix(end + 1);
    }
}

Node* child(Node& node, std::string_view key) {
    for (Entry& entry : node.entries)
        if (entry.key == key) return &entry.value;
    return nullptr;
}

void remove(Node& node, std::string_view key) {
    std::erase_if(node.entries, [&](const Entry& entry) { return entry.key == key; });
}

Node scalar(std::string text) {
    Node node;
    node.kind = Node::Kind::scalar;
    node.text = std::move(text);
    return node;
}
Node filled(Node::Kind kind) {
    Node node;
    node.kind = kind;
    if (kind == Node::Kind::sequence) node.items.push_back(scalar("x"));
    return node;
}

/// On one line, every scalar quoted.
std::string written(const Node& node) {
    std::string text;
    switch (node.kind) {
        case Node::Kind::null: return "";
        case Node::Kind::scalar: return fmt::format("\"{}\"", node.text);
        case Node::Kind::sequence:
            for (const Node& item : node.items) text += (text.empty() ? "" : ", ") + written(item);
            return '[' + text + ']';
        case Node::Kind::map:
            for (const Entry& entry : node.entries)
                text += fmt::format("{}{}: {}", text.empty() ? "" : ", ", entry.key, written(entry.value));
            return '{' + text + '}';
    }
    return text;
}

/// The part of a bus or a sensor that says of what kind it is.
std::string kind_of(Node& section) {
    for (const char* const key : {"driver", "measures"})
        if (const Node* const value = child(section, key)) return value->text;
    return {};
}

/// The section of the station that the row's key belongs in, and its path: one that has the key where there is one,
/// else one that could have it. Sections between are made.
struct Found {
    Node* section = nullptr;
    std::string path;
    bool has = false;
};
void look(Node& section, const std::string& path, std::vector<std::string> parts, const KeyRow& row, Found& best) {
    const std::string part = parts.front();
    if (parts.size() == 1) {
        const bool has = child(section, part) != nullptr;
        if (best.section == nullptr || (has && !best.has)) best = {&section, path, has};
        return;
    }
    parts.erase(parts.begin());
    if (part == "*") {
        for (Entry& entry : section.entries)
            if (row.of.empty() || one_of(row.of, ' ', kind_of(entry.value)))
                look(entry.value, path + '.' + entry.key, parts, row, best);
        return;
    }
    const std::string longer = path.empty() ? part : path + '.' + part;
    Node* next = child(section, part);
    if (next == nullptr && path.empty()) {
        section.entries.push_back({part, {}, filled(Node::Kind::map)});
        next = &section.entries.back().value;
    }
    if (next == nullptr) return;
    if (next->kind == Node::Kind::sequence) {
        if (next->items.front().kind == Node::Kind::map) look(next->items.front(), longer + "[0]", parts, row, best);
    } else {
        look(*next, longer, parts, row, best);
    }
}

void set(Node& section, const std::string& key, Node value) {
    if (Node* const there = child(section, key))
        *there = std::move(value);
    else
        section.entries.push_back({key, {}, std::move(value)});
}

/// With what a key excludes gone, and with what it needs there.
void prepare(Node& section, std::string_view path) {
    if (path == "antenna.gain") remove(section, "dish");
    if (path.ends_with(".below") || path.ends_with(".above")) {
        remove(section, "above");
        remove(section, "below");
    }
    const bool line =
        path.starts_with("line.") || path.starts_with("contactor.") || path.starts_with("dynamic_permit.");
    if (line) set(section, "driver", scalar(path.ends_with(".path") ? "file" : "gpio"));
}

/// "line|contactor.driver" is two paths.
std::vector<std::string> paths_of(const KeyRow& row) {
    const std::string_view path = row.path;
    const std::size_t dot = std::min(path.find('.'), path.size());
    std::vector<std::string> all;
    for (const std::string& first : split(path.substr(0, dot), '|'))
        all.push_back(first + std::string{path.substr(dot)});
    return all;
}

/// The text's faults at the row's key, with a value of the wrong kind there.
std::vector<Fault> planted(const KeyRow& row, const std::string& path) {
    Tree tree = read_tree(five_watts);
    REQUIRE(tree.root);
    Found found;
    look(*tree.root, "", split(path, '.'), row, found);
    REQUIRE(found.section != nullptr);
    prepare(*found.section, path);
    const std::string key = path.substr(path.rfind('.') + 1);
    const bool wants_one = !holds_keys(row) && row.kind != KeyKind::texts;
    set(*found.section, key, wants_one ? filled(Node::Kind::sequence) : scalar("x"));
    const std::string place = found.path.empty() ? key : found.path + '.' + key;
    std::vector<Fault> faults = load_configuration(written(*tree.root)).faults;
    std::erase_if(faults, [&](const Fault& fault) { return fault.key != place; });
    return faults;
}

}  // namespace

TEST_CASE("each key is read: a value of the wrong kind is refused as such, and not as a key that is not known") {
    for (const KeyRow& row : configuration_keys()) {
        if (row.path.ends_with(".*")) continue;  // a name that the user chooses
        for (const std::string& path : paths_of(row)) {
            CAPTURE(path);
            CAPTURE(row.of);
            const auto faults = planted(row, path);
            const auto any = [&](std::string_view words) {
                return std::any_of(faults.begin(), faults.end(),
                                   [&](const Fault& fault) { return fault.what.find(words) != std::string::npos; });
            };
            CHECK(any(" was expected"));
            CHECK_FALSE(any(" not known"));
        }
    }
}

TEST_CASE("a key that is read and has no row is an error of the program, which permits nothing") {
    const Tree tree = read_tree("toys: 3\n");
    Report report;
    report.keys = configuration_keys();
    Section section{&*tree.root, {1, 1}, "", report};
    CHECK_THROWS_AS(section.whole("toys", 1, 9, Need::optional), std::logic_error);
    CHECK_THROWS_AS(section.text("toys"), std::logic_error);
}

TEST_CASE("rows: each once, in a section that has one, with its sentence") {
    std::set<std::string> seen;
    for (const KeyRow& row : configuration_keys()) {
        CAPTURE(row.path);
        for (const std::string& path : paths_of(row)) {
            for (const std::string& kind : split(row.of, ' ')) CHECK(seen.insert(path + ' ' + kind).second);
            const std::size_t dot = path.rfind('.');
            if (dot == std::string::npos) continue;
            const KeyRow* const parent = find_key(configuration_keys(), path.substr(0, dot), row.of);
            REQUIRE(parent != nullptr);
            CHECK(holds_keys(*parent));
        }
        CHECK(row.says.ends_with('.'));
        CHECK(row.says.size() > 5);
        CHECK((row.usual.empty() || row.usual_words.empty()));
        const bool words = of_kind(row, {KeyKind::word});
        CHECK(words <= !row.words.empty());
        CHECK((row.of.empty() || row.path.find('*') != std::string_view::npos));
    }
    CHECK(seen.size() > 180);
}

TEST_CASE("a usual value is one that the key takes, within its ends") {
    std::size_t usual = 0;
    for (const KeyRow& row : configuration_keys()) {
        if (row.usual.empty()) continue;
        CAPTURE(row.path);
        CHECK(row.need == Need::optional);
        ++usual;
        const auto word = [&](std::span<const Word> words) {
            return std::any_of(words.begin(), words.end(), [&](const Word& w) { return w.text == row.usual; });
        };
        if (row.kind == KeyKind::word) CHECK(word(row.words));
        if (row.kind == KeyKind::flag) CHECK(word(yes_and_no_words));
        if (!of_kind(row, {KeyKind::quantity, KeyKind::time, KeyKind::whole})) continue;
        const Dimension dimension = row.kind == KeyKind::time ? Dimension::time : row.dimension;
        const Quantity value = parse_quantity(row.usual, dimension);
        CHECK(value.good());
        if (row.between.why.empty()) continue;
        CHECK(value.value >= row.between.lowest);
        CHECK(value.value <= row.between.highest);
    }
    CHECK(usual > 50);
}

TEST_CASE("the plan's own defaults are the usual values of the rows") {
    std::string text{one_kilowatt};
    constexpr std::string_view given = ", release_time: 30 ms";
    text.erase(text.find(given), given.size());
    const Loaded loaded = load_configuration(text);
    REQUIRE(loaded.configuration);
    const dekeyd::core::Plan& plan = loaded.configuration->plan;
    const dekeyd::core::Plan own;
    CHECK(plan.rf.release_time == own.rf.release_time);
    CHECK(plan.rf.hang_time == own.rf.hang_time);
    CHECK(plan.rf.edge_time == own.rf.edge_time);
    CHECK(plan.rf.gain_reference_c == own.rf.gain_reference_c);
    CHECK(plan.plausibility.switching_time == own.plausibility.switching_time);
    CHECK(plan.plausibility.qualify == own.plausibility.qualify);
    CHECK(plan.plausibility.heating_rise_k == own.plausibility.heating_rise_k);
    CHECK(plan.plausibility.heating_time == own.plausibility.heating_time);
    CHECK(plan.supervision.contactor_time == own.supervision.contactor_time);
    CHECK(plan.supervision.transmission_warning == own.supervision.transmission_warning);
    CHECK(plan.interlock.unclean_window == own.interlock.unclean_window);
    const dekeyd::core::PowerChain chain;
    const dekeyd::core::PowerChain& read = *plan.channels[*plan.roles.forward].power;
    CHECK(read.conformance_db == chain.conformance_db);
    CHECK(read.calibration_db == chain.calibration_db);
    CHECK(read.coupling_tolerance_db == chain.coupling_tolerance_db);
    CHECK(read.converter_db == chain.converter_db);
    CHECK(read.temperature_db == chain.temperature_db);
    CHECK(read.mismatch_db == chain.mismatch_db);
    CHECK(loaded.configuration->recorder.before == RecorderConfig{}.before);
    CHECK(loaded.configuration->recorder.most_bytes == RecorderConfig{}.most_bytes);
    CHECK(loaded.configuration->ground_factor == dekeyd::core::ground_usual);
}

namespace {

std::string annotated() {
    std::ifstream in{DEKEYD_SOURCE_DIR "/config/dekeyd.yaml"};
    return {std::istreambuf_iterator<char>{in}, {}};
}

void paths_below(const Node& node, const std::string& path, std::vector<std::string>& all) {
    for (const Node& item : node.items) paths_below(item, path, all);
    for (const Entry& entry : node.entries) {
        const std::string longer = path.empty() ? entry.key : path + '.' + entry.key;
        all.push_back(longer);
        paths_below(entry.value, longer, all);
    }
}

/// What stands behind '#', a line each.
std::vector<std::string> comments_of(const std::string& text) {
    std::vector<std::string> comments;
    for (const std::string& line : split(text, '\n'))
        if (const std::size_t at = line.find('#'); at != std::string::npos) comments.push_back(line.substr(at + 1));
    return comments;
}

}  // namespace

TEST_CASE("the annotated file has every key: set, or shown in a comment") {
    const std::string text = annotated();
    const Tree tree = read_tree(text);
    REQUIRE(tree.root);
    std::vector<std::string> set;
    paths_below(*tree.root, "", set);
    const std::vector<std::string> comments = comments_of(text);
    for (const KeyRow& row : configuration_keys()) {
        const bool is_set = std::any_of(set.begin(), set.end(), [&](const auto& path) { return fits(row.path, path); });
        if (is_set) continue;
        CAPTURE(row.path);
        // "name: value", `name`, or the legend of the limits.
        const std::string name{row.path.substr(row.path.rfind('.') + 1)};
        const std::regex shown{fmt::format("(^|[^a-z_-]){0}:|`{0}`|^   {0} ", name)};
        CHECK(std::any_of(comments.begin(), comments.end(),
                          [&](const std::string& comment) { return std::regex_search(comment, shown); }));
    }
}

TEST_CASE("the annotated file has no other key, in comments either") {
    const std::string text = annotated();
    const Tree tree = read_tree(text);
    REQUIRE(tree.root);
    std::vector<std::string> set;
    paths_below(*tree.root, "", set);
    for (const std::string& path : set) {
        CAPTURE(path);
        CHECK(find_key(configuration_keys(), path, "") != nullptr);
    }
    const auto known = [](const std::string& name) {
        const auto& keys = configuration_keys();
        return std::any_of(keys.begin(), keys.end(), [&](const KeyRow& row) {
            return one_of(row.path.substr(row.path.rfind('.') + 1), '|', name);
        });
    };
    const std::regex alone{"^ *# ([a-z_]+): [^ ]"}, braces{"\\{[^{}]*\\}"}, within{"[{,] *([a-z_]+):"};
    const auto judge = [&](const std::string& words, const std::regex& pattern) {
        for (std::sregex_iterator match{words.begin(), words.end(), pattern}, end; match != end; ++match) {
            CAPTURE(words);
            CHECK(known((*match)[1]));
        }
    };
    for (const std::string& line : split(text, '\n')) {
        judge(line, alone);
        for (std::sregex_iterator match{line.begin(), line.end(), braces}, end; match != end; ++match)
            judge(match->str(), within);
    }
}

TEST_CASE("a pattern fits its paths alone") {
    CHECK(fits("sensors.*.pads", "sensors.forward.pads"));
    CHECK(fits("plan.parts.gain", "plan.parts[3].gain"));
    CHECK(fits("line|contactor.driver", "contactor.driver"));
    CHECK_FALSE(fits("line|contactor.driver", "contactors.driver"));
    CHECK_FALSE(fits("sensors.*.pads", "sensors.forward"));
    CHECK_FALSE(fits("sensors.*", "sensors.forward.pads"));
    CHECK_FALSE(fits("sensors.*.pads", "limits.forward.pads"));
}

TEST_CASE("of rows that differ by kind the one for that kind is found") {
    const KeyRow* const chip = find_key(configuration_keys(), "buses.psu.conversion", "hwmon");
    const KeyRow* const wire = find_key(configuration_keys(), "buses.psu.conversion", "");
    REQUIRE(chip != nullptr);
    REQUIRE(wire != nullptr);
    CHECK(chip->usual == "1 ms");
    CHECK(wire->usual_words.starts_with("800 ms"));
    CHECK(find_key(configuration_keys(), "buses.psu.conversions", "hwmon") == nullptr);
}
