#include "configuration/edit.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstddef>
#include <filesystem>
#include <optional>

#include "base/durable_file.hpp"
#include "configuration/configuration.hpp"
#include "configuration/yaml_tree.hpp"

namespace dekeyd::formats {
namespace {

Node* child(Node* node, std::string_view key) {
    if (node == nullptr) return nullptr;
    const auto found =
        std::find_if(node->entries.begin(), node->entries.end(), [=](const Entry& entry) { return entry.key == key; });
    return found == node->entries.end() ? nullptr : &found->value;
}

Node* value_of(Tree& tree, std::string_view sensor, std::string_view key) {
    return child(child(child(tree.root ? &*tree.root : nullptr, "sensors"), sensor), key);
}

/// Equal but for places, which move when a value's length changes.
bool same(const Node& a, const Node& b) {
    if (a.kind != b.kind || a.text != b.text) return false;
    const auto equal_entries = [](const Entry& x, const Entry& y) { return x.key == y.key && same(x.value, y.value); };
    return std::equal(a.items.begin(), a.items.end(), b.items.begin(), b.items.end(), same) &&
           std::equal(a.entries.begin(), a.entries.end(), b.entries.begin(), b.entries.end(), equal_entries);
}

/// Lines and columns count from 1; columns in bytes.
std::optional<std::size_t> offset_of(std::string_view text, Place place) {
    std::size_t start = 0;
    for (std::size_t line = 1; line < place.line; ++line) {
        start = text.find('\n', start);
        if (start == std::string_view::npos) return std::nullopt;
        ++start;
    }
    const std::size_t offset = start + place.column - 1;
    return place.line == 0 || place.column == 0 || offset > text.size() ? std::nullopt : std::optional{offset};
}

Edited refuse(std::string trouble) {
    return {{}, std::move(trouble)};
}

}  // namespace

Edited with_sensor_value(std::string_view yaml, const std::string& folder, std::string_view sensor,
                         std::string_view key, std::string_view wanted) {
    Tree before = read_tree(yaml);
    const Node* value = value_of(before, sensor, key);
    if (!before.faults.empty() || value == nullptr || value->kind != Node::Kind::scalar || value->text.empty()) {
        return refuse(
            fmt::format("the configuration has no readable 'sensors: {}: {}:'; mend it by hand, with 'dekeyctl check'",
                        sensor, key));
    }
    const std::string old = value->text;
    auto offset = offset_of(yaml, value->place);
    if (offset && *offset < yaml.size() && (yaml[*offset] == '\'' || yaml[*offset] == '"')) ++*offset;
    if (!offset || yaml.substr(*offset, old.size()) != old) {
        return refuse(
            fmt::format("line {}: the {} of '{}' is written in a way that can't be replaced alone; "
                        "change it by hand to {}",
                        value->place.line, key, sensor, wanted));
    }
    std::string text{yaml};
    text.replace(*offset, old.size(), wanted);

    Tree after = read_tree(text);
    Node* changed = value_of(after, sensor, key);
    if (!after.faults.empty() || changed == nullptr || changed->text != wanted) {
        return refuse(fmt::format("with {} in the place of {} the text reads otherwise than meant; change it by hand",
                                  wanted, old));
    }
    changed->text = old;
    if (!same(*before.root, *after.root)) {
        return refuse(fmt::format("with {} in the place of {} more than that one value would change; change it by hand",
                                  wanted, old));
    }
    const Loaded loaded = load_configuration(text, folder);
    if (!loaded.faults.empty() || !loaded.configuration) {
        return refuse(loaded.faults.empty() ? "the changed configuration can't be read"
                                            : fmt::format("the changed configuration has a fault: {}: {}; expected {}",
                                                          loaded.faults.front().key, loaded.faults.front().what,
                                                          loaded.faults.front().expected));
    }
    return {std::move(text), {}};
}

std::string set_sensor_value(const std::string& file, std::string_view seen, std::string_view sensor,
                             std::string_view key, std::string_view value) {
    std::error_code error;
    // The file itself, not the link to it, which would be replaced.
    const std::filesystem::path real = std::filesystem::canonical(file, error);
    if (error) return fmt::format("{}: {}", file, error.message());
    // What the text names lies beside the link.
    const std::string folder = std::filesystem::path{file}.parent_path().string();
    const Edited edited = with_sensor_value(seen, folder, sensor, key, value);
    if (!edited.trouble.empty()) return edited.trouble;
    const FileBytes again = read_whole(real.string(), largest_text);
    if (!again.ok() || again.bytes != seen) return file + " was changed meanwhile; nothing was written: try again";
    return write_durably(real.string(), edited.text, Access::as_it_was);
}

}  // namespace dekeyd::formats
