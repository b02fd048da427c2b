// The roles of sensors: each role's word, what it measures, and its place in the plan.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

#include "configuration/parts.hpp"

namespace dekeyd::formats {

/// Who has it, and how often.
enum class Owned { by_station, by_each_stage, by_each_stage_and_more };

struct RoleRow {
    std::string_view word;
    Role role;
    core::ChannelKind kind;
    std::optional<std::uint16_t> core::Roles::*place;
    Owned owned = Owned::by_station;  ///< by_each_stage_and_more: more than once by the amplifier itself
};

inline constexpr std::array role_rows{
    RoleRow{"forward", Role::forward, core::ChannelKind::power, &core::Roles::forward},
    RoleRow{"reflected", Role::reflected, core::ChannelKind::power, &core::Roles::reflected},
    RoleRow{"drive", Role::drive, core::ChannelKind::power, &core::Roles::drive},
    RoleRow{"supply", Role::supply, core::ChannelKind::voltage, &core::Roles::supply, Owned::by_each_stage_and_more},
    RoleRow{"current", Role::current, core::ChannelKind::current, &core::Roles::current, Owned::by_each_stage_and_more},
    RoleRow{"heatsink", Role::heatsink, core::ChannelKind::temperature, &core::Roles::heatsink, Owned::by_each_stage},
    RoleRow{"ambient", Role::ambient, core::ChannelKind::temperature, &core::Roles::ambient},
    RoleRow{"fan", Role::fan, core::ChannelKind::speed, &core::Roles::fan, Owned::by_each_stage_and_more},
    RoleRow{"enable_sense", Role::enable_sense, core::ChannelKind::contact, &core::Roles::enable_sense},
    RoleRow{"key_sense", Role::key_sense, core::ChannelKind::contact, &core::Roles::key_sense},
    RoleRow{"contactor_sense", Role::contactor_sense, core::ChannelKind::contact, &core::Roles::contactor_sense},
};

/// For the key's row.
inline constexpr auto role_words = [] {
    std::array<Word, role_rows.size()> words{Word{"", 0}, Word{"", 0}, Word{"", 0}, Word{"", 0},
                                             Word{"", 0}, Word{"", 0}, Word{"", 0}, Word{"", 0},
                                             Word{"", 0}, Word{"", 0}, Word{"", 0}};
    for (std::size_t i = 0; i < words.size(); ++i) words[i] = Word{role_rows[i].word, i};
    return words;
}();

/// Of a role that isn't none.
std::string_view role_word(Role role);

/// `role:` of the sensor that becomes `channel`, `index`: on what it is for, in a stage only what a stage has, and once
/// but for what an amplifier has more of.
void read_role(Section& section, Draft& draft, SensorDraft& of, const core::Channel& channel, std::uint16_t index);

}  // namespace dekeyd::formats
