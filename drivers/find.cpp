#include "drivers/find.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <string_view>

#include "drivers/attribute.hpp"
#include "drivers/identity.hpp"

namespace dekeyd::drivers {

namespace {

bool exists(const std::string& path) {
    struct stat there {};
    return ::stat(path.c_str(), &there) == 0;
}

/// "in_voltage0_raw" with prefix "in_" and one of the suffixes gives "voltage0".
std::vector<std::string> channels_in(const std::string& folder, std::string_view prefix,
                                     const std::vector<std::string_view>& suffixes) {
    std::vector<std::string> channels;
    for (const std::string& file : entries(folder, prefix)) {
        for (const std::string_view suffix : suffixes) {
            if (!file.ends_with(suffix) || file.size() <= prefix.size() + suffix.size()) continue;
            channels.push_back(file.substr(prefix.size(), file.size() - prefix.size() - suffix.size()));
        }
    }
    std::sort(channels.begin(), channels.end());
    channels.erase(std::unique(channels.begin(), channels.end()), channels.end());
    return channels;
}

std::vector<FoundDevice> find_devices(const std::string& root, const std::string& folder, std::string_view entry_prefix,
                                      std::string_view channel_prefix, const std::vector<std::string_view>& suffixes) {
    std::vector<FoundDevice> devices;
    for (const std::string& entry : entries(folder, entry_prefix)) {
        const std::string path = folder + "/" + entry;
        devices.push_back({.entry = entry,
                           .name = read_text(path + "/name").text,
                           .label = read_text(path + "/label").text,
                           .path = real_path_below(root, path),
                           .channels = channels_in(path, channel_prefix, suffixes),
                           .name_is_unique = true});
    }
    for (FoundDevice& device : devices) {
        const auto same = [&device](const FoundDevice& other) { return other.name == device.name; };
        device.name_is_unique = std::count_if(devices.begin(), devices.end(), same) == 1;
    }
    return devices;
}

/// A family code, a hyphen and twelve digits: the bus masters' own folders look different.
bool is_w1_id(const std::string& name) {
    return name.size() == 15 && name[2] == '-' &&
           name.find_first_not_of("0123456789abcdefABCDEF", 3) == std::string::npos &&
           name.substr(0, 2).find_first_not_of("0123456789abcdefABCDEF") == std::string::npos;
}

}  // namespace

std::vector<FoundW1> find_w1(const std::string& root) {
    const std::string folder = root + "/bus/w1/devices";
    std::vector<FoundW1> found;
    for (const std::string& id : entries(folder, "")) {
        if (!is_w1_id(id)) continue;
        const std::string path = folder + "/" + id;
        // The way up is the device's own, not its link's.
        found.push_back({.id = id,
                         .temperature = exists(path + "/temperature") || exists(path + "/w1_slave"),
                         .together = exists(path + "/../therm_bulk_read")});
    }
    return found;
}

std::vector<FoundDevice> find_iio(const std::string& root) {
    return find_devices(root, root + "/bus/iio/devices", "iio:device", "in_", {"_raw", "_input"});
}

std::vector<FoundDevice> find_hwmon(const std::string& root) {
    std::vector<FoundDevice> devices = find_devices(root, root + "/class/hwmon", "hwmon", "", {"_input"});
    static constexpr std::array<std::string_view, 5> kinds{"in", "curr", "temp", "fan", "power"};
    for (FoundDevice& device : devices) {
        std::erase_if(device.channels, [](const std::string& channel) {
            const std::string kind = channel.substr(0, channel.find_first_of("0123456789"));
            return std::find(kinds.begin(), kinds.end(), kind) == kinds.end();
        });
    }
    return devices;
}

std::vector<GpioChip> find_gpio(const std::string& root) {
    return make_gpio(root)->chips();
}

}  // namespace dekeyd::drivers
