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

namespace {

std::string words_in_a_stage() {
    std::vector<std::string_view> words;
    for (const RoleRow& row : role_rows)
        if (row.owned != Owned::by_station) words.push_back(row.word);
    return fmt::format("{}", fmt::join(words, ", "));
}

void take_one_more(core::Roles& roles, Role role, std::uint16_t index) {
    if (role == Role::supply) roles.more_supplies.push_back(index);
    if (role == Role::fan) roles.more_fans.push_back(index);
    if (role == Role::current) roles.more_feeds.push_back({index, std::nullopt});  // its supply: pair_feeds()
}

}  // namespace

void read_role(Section& section, Draft& draft, SensorDraft& of, const core::Channel& channel, std::uint16_t index) {
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
    if (!channel.stage && section.has("stage")) return;  // of a stage that isn't known, which is told already
    if (channel.stage && row->owned == Owned::by_station) {
        section.fault("role",
                      fmt::format("the role '{}' belongs to the station, and this sensor is in the stage '{}'",
                                  row->word, draft.plan().stages[*channel.stage].id),
                      fmt::format("in a stage one of {}, or no role; else no 'stage:'", words_in_a_stage()));
        of.role = Role::none;
        return;
    }
    core::Roles& roles = channel.stage ? draft.plan().stages[*channel.stage].roles : draft.plan().roles;
    auto& place = roles.*(row->place);
    if (!place) {
        place = index;
    } else if (!channel.stage && row->owned == Owned::by_each_stage_and_more) {
        take_one_more(roles, row->role, index);
    } else {
        section.fault(
            "role", fmt::format("the role '{}' belongs to '{}' already", row->word, draft.plan().channels[*place].id),
            row->owned == Owned::by_station
                ? "each role once; a further sensor goes without a role"
                : "each role once in a stage; a further sensor goes without a role, or in a stage of its own");
        of.role = Role::none;
    }
}

std::optional<std::uint16_t> Draft::with_role(Role role) const {
    return configuration.plan.roles.*(row_of(role).place);
}

}  // namespace dekeyd::formats
