#include "guard/devices.hpp"

#include <algorithm>
#include <utility>

#include "base/wall_clock.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

namespace {

std::unique_ptr<drivers::Sensor> make_sensor(const std::string& root, const formats::BusConfig& bus,
                                             const formats::SlotConfig& slot) {
    switch (bus.driver) {
        case formats::BusDriver::w1:
            return drivers::make_w1_sensor(root, slot.address,
                                           {.by_frame = bus.convert_together,
                                            .bits = bus.bits.value_or(0),
                                            .conversion_time = &formats::w1_conversion_time});
        case formats::BusDriver::iio:
            return drivers::make_iio_sensor(root, {.device = bus.device,
                                                   .label = bus.label,
                                                   .channel = slot.address,
                                                   .lowest_code = bus.lowest_code.value_or(0.0),
                                                   .highest_code = bus.highest_code.value_or(0.0)});
        case formats::BusDriver::hwmon:
            return drivers::make_hwmon_sensor(root, {.chip = bus.device, .label = bus.label, .channel = slot.address});
        case formats::BusDriver::contact: break;
    }
    return drivers::make_contact_sensor(root, {.chip = slot.chip,
                                               .line = slot.address,
                                               .wiring = drivers::ContactWiring::to_ground,
                                               .normally_closed = slot.normally_closed});
}

// The kernel waits while the bus is busy: its search for new parts goes over all of them, and may add so much.
constexpr core::Duration longest_conversion = 1s;

std::unique_ptr<drivers::Conversion> make_conversion(const std::string& root, const formats::BusConfig& bus) {
    std::vector<std::string> ids;
    for (const formats::SlotConfig& slot : bus.slots) ids.push_back(slot.address);
    const core::Duration least = formats::w1_conversion_time(bus.bits.value_or(formats::w1_fewest_bits));
    return drivers::make_w1_conversion(root, ids,
                                       {.least = least, .longest = longest_conversion, .clock = &monotonic_now});
}

}  // namespace

drivers::LineAddress line_address(const formats::LineConfig& line) {
    return {.driver = line.driver == formats::LineDriver::gpio ? drivers::LineAddress::Driver::gpio
                                                               : drivers::LineAddress::Driver::file,
            .chip = line.chip,
            .line = line.line,
            .permit_high = line.permit_high,
            .path = line.path};
}

Guard::Lines open_lines(const formats::Configuration& configuration) {
    Guard::Lines lines;
    lines.line = drivers::open_line(line_address(configuration.line), configuration.sysfs_root);
    if (configuration.contactor) {
        lines.contactor = drivers::open_line(line_address(*configuration.contactor), configuration.sysfs_root);
    }
    if (configuration.dynamic_permit) {
        lines.dynamic_permit =
            drivers::open_line(line_address(*configuration.dynamic_permit), configuration.sysfs_root);
    }
    return lines;
}

std::vector<BusPlan> make_buses(const formats::Configuration& configuration) {
    std::vector<BusPlan> buses;
    for (const formats::BusConfig& config : configuration.buses) {
        BusPlan bus;
        bus.name = config.id;
        bus.period = config.period;
        bus.one_at_a_time = !formats::handed_over_whole(config);
        if (config.convert_together) bus.conversion = make_conversion(configuration.sysfs_root, config);
        std::vector<std::string> addresses;
        for (const formats::SlotConfig& slot : config.slots) {
            const std::string address = slot.chip + ' ' + slot.address;
            const auto known = std::find(addresses.begin(), addresses.end(), address);
            bus.slots.push_back(static_cast<std::size_t>(known - addresses.begin()));
            if (known != addresses.end()) continue;
            addresses.push_back(address);
            bus.sensors.push_back(make_sensor(configuration.sysfs_root, config, slot));
        }
        buses.push_back(std::move(bus));
    }
    return buses;
}

bool is_fast(const BusPlan& bus) noexcept {
    return !bus.one_at_a_time && !bus.conversion && bus.period <= 100ms;
}

std::vector<core::Duration> oldest_scans(const core::Plan& plan) {
    std::vector<core::Duration> oldest(plan.samplers.size(), core::Duration::zero());
    for (const core::Channel& channel : plan.channels) {
        if (!channel.required) continue;
        core::Duration& longest = oldest[channel.sampler];
        longest = std::max(longest, channel.allowed_age);
    }
    return oldest;
}

}  // namespace dekeyd
