#include "configuration/sections/roles.hpp"

#include <algorithm>
#include <vector>

#include "configuration/sensor_address.hpp"
#include "words/nearest.hpp"

namespace dekeyd::formats {
namespace {

const RoleRow& row_of(Role role) {
    return *std::find_if(role_rows.begin(), role_rows.end(), [=](const RoleRow& row) { return row.role == role; });
}

}  // namespace

std::string_view role_word(Role role) {
    return row_of(role).word;
}

void read_role(Section& section, Draft& draft, SensorDraft& of, std::uint16_t index) {
    std::vector<std::string_view> words;
    const auto given = section.scalar("role");
    if (!given) return;
    words.reserve(role_rows.size());
    for (const RoleRow& row : role_rows) words.push_back(row.word);
    const auto* const row =
        std::find_if(role_rows.begin(), role_rows.end(), [&](const RoleRow& r) { return r.word == *given; });
    if (row == role_rows.end()) {
        const auto near = nearest(*given, words);
        section.fault(
            "role", fmt::format("'{}' is no role", given->substr(0, 40)),
            near ? fmt::format("did you mean '{}'?", *near) : fmt::format("one of: {}", fmt::join(words, ", ")));
        return;
    }
    of.role = row->role;
    if (of.kind && *of.kind != row->kind)
        section.fault("role",
                      fmt::format("the role '{}' is for a {}, and this sensor measures a {}", row->word,
                                  word(row->kind), word(*of.kind)),
                      fmt::format("'measures: {}', or another role", word(row->kind)));
    auto& place = draft.plan().roles.*(row->place);
    if (place) {
        section.fault("role",
                      fmt::format("the role '{}' belongs to '{}' already", row->word, draft.plan().channels[*place].id),
                      "each role once; a further sensor goes without a role");
        of.role = Role::none;
        return;
    }
    place = index;
}

std::optional<std::uint16_t> Draft::with_role(Role role) const {
    return configuration.plan.roles.*(row_of(role).place);
}

}  // namespace dekeyd::formats
