// Every row of the ranges, at each of its edges: read alone, and at its places in a whole configuration.
#include "configuration/checks/ranges.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "configuration/configuration.hpp"
#include "configuration/section.hpp"
#include "stations.hpp"

using namespace dekeyd::formats;

namespace {

std::string base_unit(Dimension dimension) {
    for (const WrittenUnit& unit : units_of(dimension))
        if (unit.factor == 1.0) return " " + std::string{unit.text};
    return {};
}

std::string written(const RangeRow& row, double value) {
    const double size = std::fabs(value);  // twelve digits show the step beyond an end
    const int digits = size == 0.0 ? 1 : std::max(1, 12 - static_cast<int>(std::floor(std::log10(size))));
    const std::string number = fmt::format("{:.{}f}", value, digits);
    const std::size_t last = number.find_last_not_of('0');  // a point before it stays with one zero
    return number.substr(0, number[last] == '.' ? last : last + 1) + base_unit(row.dimension);
}
std::string whole(double value) {
    return fmt::format("{:.0f}", value);
}

double beyond(const RangeRow& row, double end, double direction) {
    if (row.compared == Compared::whole) return end + direction;
    return end + direction * std::max(1e-14, 1e-9 * std::fabs(end));
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

/// The keys that a row is for, with a name in place of each '*'.
std::vector<std::string> paths(const RangeRow& row) {
    std::vector<std::string> all{""};
    for (const std::string& part : split(row.path, '.')) {
        std::vector<std::string> longer;
        for (const std::string& begun : all)
            for (const std::string& word : split(part, '|'))
                longer.push_back(fmt::format("{}{}{}", begun, begun.empty() ? "" : ".", word == "*" ? "x" : word));
        all = longer;
    }
    return all;
}

/// What reading `value` alone at `path` reports.
std::vector<Fault> faults_of(const RangeRow& row, const std::string& path, const std::string& kind, double value,
                             bool accepted, bool bench) {
    const std::size_t dot = path.rfind('.');
    const std::string key = path.substr(dot + 1);
    Tree tree = read_tree(key + ": " + (row.compared == Compared::whole ? whole(value) : written(row, value)));
    REQUIRE(tree.root);
    Report report;
    report.bench = bench;
    if (accepted) report.accept(path, {1, 1});
    Section section{&*tree.root, {1, 1}, path.substr(0, dot), report};
    section.is_of(kind);
    if (row.compared == Compared::whole) {
        section.whole(key, Need::required);
    } else {
        section.quantity(key, row.dimension, Need::required);
    }
    return report.faults();
}

}  // namespace

TEST_CASE("each row's ends belong to it, and the next value beyond is refused") {
    for (const RangeRow& row : range_rows())
        for (const std::string& path : paths(row))
            for (const std::string& kind : split(row.of, ' ')) {
                CAPTURE(path);
                CAPTURE(kind);
                REQUIRE(range_for(path, kind, row.dimension) == &row);
                const auto good = [&](double value, bool accepted, bool bench) {
                    return faults_of(row, path, kind, value, accepted, bench).empty();
                };
                CHECK(good(row.lowest, false, false));
                CHECK(good(row.highest, false, false));
                CHECK_FALSE(good(beyond(row, row.highest, 1), false, false));
                const bool from_zero = row.compared == Compared::size && row.lowest == 0.0;
                if (!from_zero) CHECK_FALSE(good(beyond(row, row.lowest, -1), false, false));
                if (row.compared == Compared::size) CHECK(good(-row.highest, false, false));
                if (row.compared == Compared::size) CHECK_FALSE(good(-beyond(row, row.highest, 1), false, false));
                for (const auto& [accepted, bench] : {std::pair{true, false}, std::pair{false, true}}) {
                    CHECK(good(row.least, accepted, bench));
                    CHECK(good(row.most, accepted, bench));
                    CHECK_FALSE(good(beyond(row, row.most, 1), accepted, bench));
                    if (!from_zero) CHECK_FALSE(good(beyond(row, row.least, -1), accepted, bench));
                }
            }
}

TEST_CASE("a range that is right lies within the one that can be accepted, and says why") {
    for (const RangeRow& row : range_rows()) {
        CAPTURE(row.path);
        CHECK(row.lowest < row.highest);
        CHECK(row.least <= row.lowest);
        CHECK(row.most >= row.highest);
        CHECK(row.why.size() > 10);
    }
}

namespace {

struct Figure {
    std::string path;
    Place place;
    std::string text;
};

/// Every value of a text, with its key's whole name.
void collect(const Node& node, const std::string& path, std::vector<Figure>& into) {
    for (const Entry& entry : node.entries)
        collect(entry.value, path.empty() ? entry.key : path + '.' + entry.key, into);
    for (const Node& item : node.items) collect(item, path, into);
    if (node.kind == Node::Kind::scalar) into.push_back({path, node.place, node.text});
}

bool same_path(std::string_view pattern, std::string_view path) {
    const auto wanted = split(pattern, '.'), parts = split(path, '.');
    if (wanted.size() != parts.size()) return false;
    for (std::size_t i = 0; i < parts.size(); ++i) {
        const auto words = split(wanted[i], '|');
        if (wanted[i] != "*" && std::find(words.begin(), words.end(), parts[i]) == words.end()) return false;
    }
    return true;
}

std::string replaced(std::string_view text, const Figure& figure, const std::string& value) {
    std::string result{text};
    std::size_t at = 0;
    for (std::size_t line = 1; line < figure.place.line; ++line) at = result.find('\n', at) + 1;
    at += figure.place.column - 1;
    REQUIRE(result.substr(at, figure.text.size()) == figure.text);
    return result.replace(at, figure.text.size(), value);
}

}  // namespace

TEST_CASE("each row is asked where the configuration has its key") {
    Tree tree = read_tree(five_watts);
    REQUIRE(tree.root);
    std::vector<Figure> figures;
    collect(*tree.root, {}, figures);
    for (const RangeRow& row : range_rows()) {
        CAPTURE(row.path);
        std::size_t found = 0, refused = 0;
        for (const Figure& figure : figures) {
            if (!same_path(row.path, figure.path)) continue;
            ++found;
            const double far = beyond(row, row.most, 1);
            std::string value = row.compared == Compared::whole ? whole(far) : written(row, far);
            if (figure.text.find("..") != std::string::npos)
                value = fmt::format("{} .. {}", written(row, beyond(row, row.least, -1)), value);
            const Loaded loaded = load_configuration(replaced(five_watts, figure, value));
            refused += static_cast<std::size_t>(
                std::count_if(loaded.faults.begin(), loaded.faults.end(), [&](const Fault& fault) {
                    return fault.line == figure.place.line && fault.what.find(row.why) != std::string::npos;
                }));
        }
        const bool elsewhere =
            row.path.starts_with("limits.") || row.path == "antenna.gain" || row.path == "amplifier.reflected_present";
        if (!elsewhere) CHECK(found > 0);
        if (found > 0 && !elsewhere) CHECK(refused > 0);
    }
}
