#include "store/captures/recorded.hpp"

namespace dekeyd::formats {

core::StepInput RecordedStep::input(std::vector<core::Scan>& room) const {
    room.clear();
    for (const RecordedScan& scan : scans) room.push_back({.sampler = scan.sampler, .samples = scan.samples});
    return {.now = now,
            .scans = room,
            .commands = commands,
            .line = line,
            .suspended = suspended,
            .contactor = contactor_line};
}

const core::Channel* channel_at(const core::Plan& plan, std::size_t sampler, std::size_t slot) {
    for (const core::Channel& channel : plan.channels) {
        if (channel.sampler == sampler && channel.slot == slot) return &channel;
    }
    return nullptr;
}

std::vector<std::vector<std::string>> slot_names(const core::Plan& plan) {
    std::vector<std::vector<std::string>> names;
    const auto forward = plan.roles.forward;
    for (std::size_t sampler = 0; sampler < plan.samplers.size(); ++sampler) {
        auto& of_sampler = names.emplace_back();
        for (std::size_t slot = 0; slot < plan.samplers[sampler]; ++slot) {
            const core::Channel* channel = channel_at(plan, sampler, slot);
            const bool again = forward && plan.roles.reflected && plan.channels[*forward].sampler == sampler &&
                               plan.rf.forward_again_slot == slot;
            of_sampler.push_back(channel != nullptr ? channel->id
                                 : again            ? plan.channels[*forward].id + "-again"
                                                    : "-");
        }
    }
    return names;
}

}  // namespace dekeyd::formats
