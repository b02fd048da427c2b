// What is there to be measured and driven: for the operator who writes a configuration. Reads names, converts nothing.
#pragma once

#include <string>
#include <vector>

#include "drivers/gpio.hpp"

namespace dekeyd::drivers {

struct FoundW1 {
    std::string id;            ///< 28-000000000001
    bool temperature = false;  ///< the kernel reads a temperature from it
    bool together = false;     ///< its bus master lets all its thermometers convert at once
};

struct FoundDevice {
    std::string entry;                  ///< iio:device0, hwmon0: changes between boots
    std::string name;                   ///< what the configuration calls it
    std::string label;                  ///< its own label; may be empty
    std::string path;                   ///< real path below the root, a part of which can tell two apart
    std::vector<std::string> channels;  ///< voltage0, temp; in1, curr1
    bool name_is_unique = true;         ///< else the configuration must give a label
};

/// Each sorted. A folder that isn't there gives nothing: without the kernel's driver there is no such device.
std::vector<FoundW1> find_w1(const std::string& root);
std::vector<FoundDevice> find_iio(const std::string& root);
std::vector<FoundDevice> find_hwmon(const std::string& root);
/// All GPIO chips with their lines, named or not.
std::vector<GpioChip> find_gpio(const std::string& root);

}  // namespace dekeyd::drivers
