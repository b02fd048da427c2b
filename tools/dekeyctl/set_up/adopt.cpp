#include "dekeyctl/set_up/adopt.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <set>
#include <utility>

#include "configuration/sections/roles.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using formats::Configuration;

const core::Channel* channel_for(const core::Plan& plan, std::string_view what) {
    for (const formats::RoleRow& role : formats::role_rows)
        if (role.word == what && plan.roles.*role.place) return &plan.channels[*(plan.roles.*role.place)];
    for (const core::Channel& channel : plan.channels)
        if (channel.id == what) return &channel;
    return nullptr;
}

struct OnBus {
    std::string sensor, address;
};

std::vector<OnBus> thermometers(const Configuration& configuration) {
    std::vector<OnBus> all;
    for (const formats::BusConfig& bus : configuration.buses) {
        if (bus.driver != formats::BusDriver::w1) continue;
        for (const formats::SlotConfig& slot : bus.slots) all.push_back({slot.sensor, slot.address});
    }
    return all;
}

const OnWire* at(const std::vector<OnWire>& on_wire, std::string_view address) {
    const auto found =
        std::find_if(on_wire.begin(), on_wire.end(), [=](const OnWire& one) { return one.address == address; });
    return found == on_wire.end() ? nullptr : &*found;
}

bool reads(const OnWire* one) {
    return one != nullptr && one->value.has_value();
}

std::string listed(const std::vector<const OnWire*>& some) {
    std::string text;
    for (const OnWire* one : some)
        text += fmt::format("{}{} ({})", text.empty() ? "" : ", ", one->address, with_unit(*one->value, "°C"));
    return text;
}

Adoption refuse(std::string why) {
    Adoption adoption;
    adoption.refusal = std::move(why);
    return adoption;
}

}  // namespace

Adoption find_adoption(const Configuration& configuration, std::string_view what, std::string_view address,
                       const std::vector<OnWire>& on_wire) {
    const core::Channel* channel = channel_for(configuration.plan, what);
    const std::vector<OnBus> configured = thermometers(configuration);
    std::string ids;
    for (const OnBus& one : configured) ids += (ids.empty() ? "" : ", ") + one.sensor;
    const std::string known = ids.empty() ? "this configuration has no 1-Wire sensor" : "expected one of: " + ids;
    if (channel == nullptr) return refuse(fmt::format("'{}' is no role and no sensor here; {}", what, known));
    const auto own =
        std::find_if(configured.begin(), configured.end(), [&](const OnBus& one) { return one.sensor == channel->id; });
    if (own == configured.end()) {
        return refuse(
            fmt::format("'{}' is read at an input of a chip, which has no id of its own: a replaced part is "
                        "read again by itself. Only 1-Wire sensors are adopted; {}",
                        channel->id, known));
    }
    const OnWire* old = at(on_wire, own->address);
    if (reads(old)) {
        return refuse(fmt::format("'{}' is not missing: {} reads {}; nothing to adopt", channel->id, own->address,
                                  with_unit(*old->value, "°C")));
    }

    std::set<std::string_view> taken;
    std::string missing_too;
    for (const OnBus& one : configured) {
        taken.insert(one.address);
        if (one.sensor != channel->id && !reads(at(on_wire, one.address)))
            missing_too += (missing_too.empty() ? "" : ", ") + one.sensor;
    }
    std::vector<const OnWire*> fresh;
    for (const OnWire& one : on_wire)
        if (!taken.contains(one.address) && reads(&one)) fresh.push_back(&one);
    if (!address.empty()) {
        std::erase_if(fresh, [=](const OnWire* one) { return one->address != address; });
        if (fresh.empty()) {
            return refuse(
                fmt::format("{} is not there as a new thermometer that reads; 'dekeyctl find' shows what is", address));
        }
    }
    if (fresh.empty()) {
        return refuse(
            fmt::format("'{}' ({}) is missing, and no new thermometer reads on the bus: connect it, look with "
                        "'dekeyctl find' (some seconds may pass until the kernel sees it)",
                        channel->id, own->address));
    }
    if (fresh.size() > 1) {
        return refuse(
            fmt::format("several new thermometers are there: {}. Warm the right one with a hand, look again, "
                        "and name it: --address {}",
                        listed(fresh), fresh.front()->address));
    }
    if (!missing_too.empty() && address.empty()) {
        return refuse(
            fmt::format("{} new and more than one sensor missing ('{}' and {}): say that it is this one's: "
                        "--address {}",
                        listed(fresh), channel->id, missing_too, fresh.front()->address));
    }
    const double value = *fresh.front()->value;
    if (value < channel->valid_low || value > channel->valid_high) {
        return refuse(fmt::format("{} reads {}, outside the window of '{}': {} to {}", fresh.front()->address,
                                  with_unit(value, "°C"), channel->id, with_unit(channel->valid_low, "°C"),
                                  with_unit(channel->valid_high, "°C")));
    }
    return {.sensor = channel->id,
            .name = channel->name,
            .old_address = own->address,
            .new_address = fresh.front()->address,
            .old_words = old == nullptr ? "not on the bus" : "no reading: " + old->fault,
            .new_value = value};
}

}  // namespace dekeyd::ctl
