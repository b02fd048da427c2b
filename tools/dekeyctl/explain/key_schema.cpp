#include "dekeyctl/explain/key_schema.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>
#include <string>
#include <vector>

#include "dekeyctl/explain/key_reference.hpp"
#include "dekeyctl/explain/number_pattern.hpp"

namespace dekeyd::ctl {
namespace {

using Schema = nlohmann::ordered_json;
using formats::Dimension;
using formats::KeyKind;
using formats::KeyRow;
using formats::Need;
using formats::Sign;

constexpr double far = 1e12;

std::string escaped_unit(std::string_view unit) {
    std::string text;
    for (const char c : unit) {
        if (c == '/') text += '\\';
        text += c;
    }
    return text;
}

/// The least and the most that any of the key's ranges takes, in the base unit.
struct Ends {
    double least = -far, most = far;
};
Ends ends_of_key(const KeyRow& row, Dimension dimension) {
    Ends ends;
    bool first = true;
    for (const formats::RangeRow* const range : ranges_of_key(row)) {
        if (range->dimension != dimension) continue;
        const bool size = range->compared == formats::Compared::size;
        const double least = size ? -range->most : range->least;
        ends = {first ? least : std::min(ends.least, least), first ? range->most : std::max(ends.most, range->most)};
        first = false;
    }
    if (row.sign != Sign::any || row.kind == KeyKind::time) ends.least = std::max(ends.least, 0.0);
    return ends;
}

/// The same power in dBm; no power is far below.
Ends in_dbm(Ends watts) {
    constexpr double hair = 1e-3, farthest = 200.0;
    const auto dbm = [](double power) { return 10.0 * std::log10(power) + 30.0; };
    return {watts.least > 0.0 ? std::max(dbm(watts.least) - hair, -farthest) : -farthest,
            watts.most > 0.0 ? std::min(dbm(watts.most) + hair, farthest) : farthest};
}

/// A number between the ends in each of the units.
std::string quantity_pattern(Dimension dimension, Ends ends) {
    const auto units = formats::units_of(dimension);
    if (units.empty()) return signed_between(ends.least, ends.most);
    std::string pattern;
    for (const formats::WrittenUnit& unit : units) {
        const Ends here = unit.factor == 0.0 ? in_dbm(ends) : Ends{ends.least / unit.factor, ends.most / unit.factor};
        pattern += fmt::format("{}{} *{}", pattern.empty() ? "" : "|", signed_between(here.least, here.most),
                               escaped_unit(unit.text));
    }
    return "(?:" + pattern + ')';
}

/// Any quantity, for keys whose dimension depends on what is measured.
constexpr const char* some_quantity = "[+-]?(?:0|[1-9][0-9]*)(?:\\.[0-9]+)?(?: *[^ 0-9.,+-][^ ]*)?";

Schema pattern(const std::string& text, const KeyRow& row) {
    return {{"type", "string"}, {"pattern", "^ *" + text + " *$"}, {"patternErrorMessage", value_of_key(row)}};
}

Schema words_schema(const KeyRow& row) {
    Schema words = Schema::array();
    for (const formats::Word& word : row.words) {
        words.push_back(word.text);
        if (!word.text.empty() && formats::is_digit(word.text.front())) words.push_back(word.value);
    }
    return {{"enum", std::move(words)}};
}

Schema number_schema(const KeyRow& row, const char* type) {
    const Ends ends = ends_of_key(row, Dimension::number);
    Schema schema{{"type", type}};
    if (ends.least > -far) schema["minimum"] = ends.least;
    if (ends.most < far) schema["maximum"] = ends.most;
    return schema;
}

/// What a scalar may be. A number or a truth value in YAML is a text to us.
Schema value_schema(const KeyRow& row) {
    const Schema any_scalar = {"string", "number", "boolean"};
    switch (row.kind) {
        case KeyKind::quantity:
            if (row.dimension == Dimension::number)
                return {{"anyOf",
                         {number_schema(row, "number"),
                          pattern(quantity_pattern(row.dimension, ends_of_key(row, row.dimension)), row)}}};
            return pattern(quantity_pattern(row.dimension, ends_of_key(row, row.dimension)), row);
        case KeyKind::time: return pattern(quantity_pattern(Dimension::time, ends_of_key(row, Dimension::time)), row);
        case KeyKind::range: {
            const std::string end = quantity_pattern(row.dimension, ends_of_key(row, row.dimension));
            return pattern(end + " *\\.\\. *" + end, row);
        }
        case KeyKind::level: {
            Schema choices{{{"type", "number"}}, pattern(some_quantity, row)};
            if (!row.words.empty()) choices.push_back(words_schema(row));
            return {{"anyOf", std::move(choices)}};
        }
        case KeyKind::levels: return pattern(std::string{some_quantity} + " *\\.\\. *" + some_quantity, row);
        case KeyKind::whole: {
            Schema quoted = pattern("(?:[1-9][0-9]*|0)", row);
            return {{"anyOf", {number_schema(row, "integer"), std::move(quoted)}}};
        }
        case KeyKind::text: return {{"type", any_scalar}, {"minLength", 1}, {"maxLength", 120}};
        case KeyKind::id: return {{"type", any_scalar}, {"pattern", "^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$"}};
        case KeyKind::path: return {{"type", "string"}, {"pattern", "^/"}, {"maxLength", 1024}};
        case KeyKind::flag: return {{"enum", {"yes", "no", "true", "false", true, false}}};
        case KeyKind::word: return words_schema(row);
        case KeyKind::name: return {{"type", any_scalar}};
        default: return {};
    }
}

struct Key {
    std::string path;
    const KeyRow* row;
};

const std::vector<Key>& all_keys() {
    static const std::vector<Key> keys = [] {
        std::vector<Key> all;
        for (const KeyRow& row : formats::configuration_keys())
            for (std::string& path : paths_of_key(row)) all.push_back({std::move(path), &row});
        return all;
    }();
    return keys;
}

std::vector<Key> keys_below(const std::string& section) {
    std::vector<Key> below;
    for (const Key& key : all_keys()) {
        const std::size_t dot = key.path.rfind('.');
        if ((dot == std::string::npos ? "" : key.path.substr(0, dot)) == section) below.push_back(key);
    }
    return below;
}

Schema section_schema(const std::string& path);

Schema key_schema(const Key& key) {
    const KeyRow& row = *key.row;
    switch (row.kind) {
        case KeyKind::section: return section_schema(key.path);
        case KeyKind::named:
            return {{"type", "object"},
                    {"propertyNames", {{"pattern", "^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$"}}},
                    {"additionalProperties", section_schema(key.path + ".*")}};
        case KeyKind::sections: return {{"type", "array"}, {"items", section_schema(key.path)}};
        case KeyKind::texts:
            return {{"type", "array"}, {"items", row.words.empty() ? Schema{{"type", "string"}} : words_schema(row)}};
        default: return value_schema(row);
    }
}

std::string description(const KeyRow& row) {
    const std::string usual = default_of_key(row);
    return fmt::format("{} {}. {}.{}", row.says, need_of_key(row), value_of_key(row),
                       usual.empty() ? "" : ' ' + usual + '.');
}

std::vector<std::string> parts_of(std::string_view list) {
    std::vector<std::string> parts;
    while (!list.empty()) {
        parts.emplace_back(list.substr(0, list.find(' ')));
        list.remove_prefix(std::min(parts.back().size() + 1, list.size()));
    }
    return parts;
}

/// Of a section whose keys depend on its kind: what each kind needs and what it doesn't have.
Schema by_kind(const std::vector<Key>& keys) {
    const auto decides = std::find_if(keys.begin(), keys.end(), [&](const Key& key) {
        return std::any_of(keys.begin(), keys.end(), [&](const Key& other) {
            const auto kinds = parts_of(other.row->of);
            return !kinds.empty() && std::any_of(key.row->words.begin(), key.row->words.end(),
                                                 [&](const formats::Word& word) { return word.text == kinds.front(); });
        });
    });
    Schema rules = Schema::array();
    if (decides == keys.end()) return rules;
    const std::string name{name_of_key(*decides->row)};
    for (const formats::Word& kind : decides->row->words) {
        std::set<std::string> there;
        Schema needed = Schema::array(), absent = Schema::object();
        for (const Key& key : keys) {
            const bool has = key.row->of.empty() || formats::one_of(key.row->of, ' ', kind.text);
            if (has) there.insert(std::string{name_of_key(*key.row)});
            if (has && !key.row->of.empty() && key.row->need == Need::required && key.row->when.empty())
                needed.push_back(name_of_key(*key.row));
        }
        for (const Key& key : keys) {
            const std::string own{name_of_key(*key.row)};
            if (there.count(own) == 0) absent[own] = false;
        }
        Schema then = Schema::object();
        if (!absent.empty()) then["properties"] = std::move(absent);
        if (!needed.empty()) then["required"] = std::move(needed);
        rules.push_back({{"if", {{"properties", {{name, {{"const", kind.text}}}}}, {"required", {name}}}},
                         {"then", std::move(then)}});
    }
    return rules;
}

Schema section_schema(const std::string& path) {
    const auto keys = keys_below(path);
    Schema properties = Schema::object(), needed = Schema::array();
    for (const Key& key : keys) {
        const std::string name{name_of_key(*key.row)};
        if (name == "*") continue;
        if (properties.contains(name)) {
            // Rows for several kinds: any of their values will do here.
            properties[name]["anyOf"].push_back(key_schema(key));
            continue;
        }
        const bool several =
            std::count_if(keys.begin(), keys.end(), [&](const Key& other) { return other.path == key.path; }) > 1;
        Schema schema = several ? Schema{{"anyOf", Schema::array({key_schema(key)})}} : key_schema(key);
        schema["description"] = description(*key.row);
        properties[name] = std::move(schema);
        if (key.row->need == Need::required && key.row->when.empty() && key.row->of.empty()) needed.push_back(name);
    }
    Schema section{{"type", "object"}, {"additionalProperties", false}, {"properties", std::move(properties)}};
    if (!needed.empty()) section["required"] = std::move(needed);
    if (Schema rules = by_kind(keys); !rules.empty()) section["allOf"] = std::move(rules);
    return section;
}

}  // namespace

Schema configuration_schema() {
    Schema schema{
        {"$schema", "http://json-schema.org/draft-07/schema#"},
        {"title", "The configuration of dekeyd"},
        {"description", "Made from the table of the keys; 'dekeyctl check FILE' knows what relates several keys too."}};
    schema.update(section_schema(""));
    return schema;
}

}  // namespace dekeyd::ctl
