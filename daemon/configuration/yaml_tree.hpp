// A YAML text as a small tree with places, built only from the harmless part of the language.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"

namespace dekeyd::formats {

/// Both count from 1. The column counts bytes here; load_configuration turns it into characters.
struct Place {
    std::size_t line = 0;
    std::size_t column = 0;
};

struct Entry;

/// One value. Maps keep the order of the text; a key that comes again is a fault and not kept.
struct Node {
    enum class Kind { null, scalar, sequence, map };
    Kind kind = Kind::null;
    Place place;
    std::string text;  ///< scalars
    std::vector<Node> items;
    std::vector<Entry> entries;
};

struct Entry {
    std::string key;
    Place place;
    Node value;
};

inline constexpr std::size_t largest_text = 1024 * 1024;
inline constexpr std::size_t deepest_nesting = 16;
/// Each key is compared with those before it, so their number is bounded.
inline constexpr std::size_t largest_section = 1000;
/// More faults than anyone reads: the rest is counted.
inline constexpr std::size_t most_faults = 200;

struct Tree {
    std::optional<Node> root;  ///< absent: the text could not be read as a tree, and faults says why
    std::vector<Fault> faults;
};

/// Refused, each with its place: more than 1 MiB, bytes that are not UTF-8 text, tabs, nesting beyond 16, sections
/// beyond 1000 keys, anchors, aliases, tags, merge keys, a second document, duplicate keys, keys that are not plain
/// words.
Tree read_tree(std::string_view yaml);

/// At most 60 bytes of a text for a message, cut between characters.
std::string shortened(std::string_view text);

}  // namespace dekeyd::formats
