#include <fmt/format.h>

#include <algorithm>

#include "dekeyctl/sheet/station.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl::sheet {
namespace {

using formats::show;

/// Where a sensor is, as far as its role and its stage tell.
std::string place_of(const core::Plan& plan, std::uint16_t channel) {
    const core::Roles& roles = core::roles_around(plan, channel);
    const core::StagePlan* const stage = core::stage_of(plan, channel);
    const std::string at = (stage == nullptr ? std::string{"amplifier"} : stage->name) + ", ";
    const auto is = [channel](const std::optional<std::uint16_t>& role) { return role == channel; };
    if (is(roles.forward)) return "coupler, forward port, behind its detector";
    if (is(roles.reflected)) return "coupler, reflected port, behind its detector";
    if (is(roles.drive)) return "drive coupler, behind its detector";
    if (roles.is_supply(channel)) return at + "supply voltage";
    if (roles.is_current(channel)) return at + "supply current";
    if (is(roles.heatsink)) return at + "heatsink";
    if (is(roles.ambient)) return "air at the intake";
    if (roles.is_fan(channel)) return at + "fan";
    if (is(roles.enable_sense)) return "amplifier, enable voltage behind the contact";
    if (is(roles.key_sense)) return "transmit key";
    if (is(roles.contactor_sense)) return "supply contactor, auxiliary contact";
    return stage == nullptr ? "as its name says" : at + "as its name says";
}

std::string good_readings(const core::Channel& channel) {
    if (channel.kind == core::ChannelKind::contact)
        return channel.normally_open ? "open while all is well" : "closed while all is well";
    const auto in = [&](double value) {
        if (channel.power) return show(value, core::Unit::volt);
        // A raw sample's window, where a gain makes another quantity of it.
        if (channel.gain != 1.0 || channel.zero != 0.0) return fmt::format("{:g} (raw)", value);
        return show(value, core::unit_of(channel.kind));
    };
    if (!(channel.valid_low < channel.valid_high)) return {};
    return fmt::format("good from {} to {}", in(channel.valid_low), in(channel.valid_high));
}

std::string board_end(const formats::LineConfig& line) {
    if (line.driver == formats::LineDriver::file) return fmt::format("file {}", line.path);
    return line.chip.empty() ? line.line : fmt::format("{} on {}", line.line, line.chip);
}

std::string level_of(const formats::LineConfig& line) {
    if (line.driver == formats::LineDriver::file) return "drives no output, protects nothing";
    return fmt::format("{} permits; not driven it must read {}", line.permit_high ? "high" : "low",
                       line.permit_high ? "low" : "high");
}

}  // namespace

std::vector<Wire> wires_of(const formats::Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    std::vector<Wire> wires;
    const auto add = [&](Wire wire) {
        wire.mark = fmt::format("W{}", wires.size() + 1);
        wires.push_back(std::move(wire));
    };
    const auto add_line = [&](const formats::LineConfig& line, const char* carries, const char* from) {
        add({.mark = {},
             .carries = carries,
             .from = from,
             .board = board_end(line),
             .bus = {},
             .level = level_of(line),
             .channel = {}});
    };
    add_line(configuration.line, "Inhibit line", "amplifier, enable, by the line's contact");
    if (configuration.contactor) add_line(*configuration.contactor, "Supply contactor", "contactor's coil driver");
    if (configuration.dynamic_permit)
        add_line(*configuration.dynamic_permit, "Dynamic permit", "charge pump in series with the inhibit line");
    for (const formats::BusConfig& bus : configuration.buses) {
        std::vector<std::string_view> seen;  // forward is read twice where a VSWR needs it
        for (const formats::SlotConfig& slot : bus.slots) {
            if (std::find(seen.begin(), seen.end(), slot.sensor) != seen.end()) continue;
            seen.emplace_back(slot.sensor);
            const auto channel = std::find_if(plan.channels.begin(), plan.channels.end(),
                                              [&](const core::Channel& one) { return one.id == slot.sensor; });
            if (channel == plan.channels.end()) continue;
            const auto index = static_cast<std::uint16_t>(channel - plan.channels.begin());
            add({.mark = {},
                 .carries = channel->name.empty() ? channel->id : channel->name,
                 .from = place_of(plan, index),
                 .board = slot.chip.empty() ? slot.address : fmt::format("{} on {}", slot.address, slot.chip),
                 .bus = bus.id,
                 .level = good_readings(*channel),
                 .channel = index});
        }
    }
    return wires;
}

std::vector<std::string> marks_of(const std::vector<Wire>& wires,
                                  const std::vector<std::optional<std::uint16_t>>& channels) {
    std::vector<std::string> marks;
    for (const Wire& wire : wires)
        if (wire.channel && std::find(channels.begin(), channels.end(), wire.channel) != channels.end())
            marks.push_back(wire.mark);
    return marks;
}

}  // namespace dekeyd::ctl::sheet
