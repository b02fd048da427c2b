#include "drivers/gpio.hpp"

#include <sys/stat.h>

#include <charconv>
#include <cstring>

#include "drivers/identity.hpp"

namespace dekeyd::drivers {

namespace {

std::string title(const GpioChip& chip) {
    return chip.name + (chip.label.empty() ? "" : " ('" + chip.label + "')");
}

std::string title(const GpioChip& chip, unsigned offset) {
    const std::string& name = chip.lines[offset].name;
    return title(chip) + " line " + std::to_string(offset) + (name.empty() ? "" : " ('" + name + "')");
}

std::string list(const std::vector<GpioChip>& chips) {
    std::string text;
    for (const GpioChip& chip : chips) {
        text += text.empty() ? "" : ", ";
        text += title(chip);
        if (chip.error != 0) text += std::string(" (") + std::strerror(chip.error) + ")";
    }
    return text.empty() ? "there is no GPIO chip" : "the GPIO chips are " + text;
}

bool is_unreadable(const std::vector<GpioChip>& chips) {
    for (const GpioChip& chip : chips) {
        if (chip.error != 0) return true;
    }
    return false;
}

std::optional<unsigned> as_offset(const std::string& line) {
    unsigned offset = 0;
    const char* const last = line.data() + line.size();
    const auto [end, error] = std::from_chars(line.data(), last, offset);
    if (line.empty() || error != std::errc{} || end != last) return std::nullopt;
    return offset;
}

}  // namespace

std::string bus_of_chip(const std::string& sysfs_root, const std::string& chip) {
    const std::string entry = sysfs_root + "/bus/gpio/devices/" + chip;
    struct stat there {};
    if (::stat(entry.c_str(), &there) != 0) return "an unknown bus";
    const std::string device = entry + "/device";
    const std::string path = real_path_below(sysfs_root, ::stat(device.c_str(), &there) == 0 ? device : entry) + "/";
    struct Mark {
        const char* part;
        const char* bus;
    };
    // The hosts' own folders: i2c-1/1-0020, spi_master/spi0/spi0.0, usb1/1-1. USB first: its adapters carry the others.
    for (const Mark& mark : {Mark{"/usb", "USB"}, Mark{"/i2c-", "I2C"}, Mark{"/i3c-", "I3C"}, Mark{"/spi", "SPI"}}) {
        if (path.find(mark.part) != std::string::npos) return mark.bus;
    }
    return {};
}

std::vector<std::string> gpio_devices(const std::string& folder) {
    std::vector<std::string> names;
    for (const std::string& name : entries(folder, "gpiochip")) {
        struct stat there {};
        if (::lstat((folder + "/" + name).c_str(), &there) == 0 && S_ISCHR(there.st_mode)) names.push_back(name);
    }
    return names;
}

ChosenLine choose_line(const std::vector<GpioChip>& chips, const std::string& chip, const std::string& line) {
    std::vector<const GpioChip*> candidates;
    for (const GpioChip& candidate : chips) {
        if (chip.empty() || candidate.name == chip || candidate.label == chip) candidates.push_back(&candidate);
    }
    const std::string hint =
        is_unreadable(chips)
            ? "; a chip that could not be looked at may hold it: run with permission for /dev/gpiochip*"
            : "";
    if (candidates.empty()) {
        throw LineError("GPIO chip '" + chip + "' not found; " + list(chips) +
                        "; give the label or the name of one of these" + hint);
    }

    std::vector<ChosenLine> found;
    for (const GpioChip* candidate : candidates) {
        for (unsigned offset = 0; offset < candidate->lines.size(); ++offset) {
            if (!line.empty() && candidate->lines[offset].name == line) found.push_back({candidate, offset});
        }
    }
    const std::optional<unsigned> offset = as_offset(line);
    if (found.empty() && offset) {
        if (chip.empty()) {
            throw LineError("GPIO line " + line + " is an offset, and no chip is given; " + list(chips) +
                            "; give the chip's label, or the line's name");
        }
        for (const GpioChip* candidate : candidates) {
            if (*offset < candidate->lines.size()) found.push_back({candidate, *offset});
        }
    }
    if (found.size() == 1) return found.front();
    const std::string where = chip.empty() ? "on any chip" : "on chip '" + chip + "'";
    if (found.empty()) {
        throw LineError("GPIO line '" + line + "' not found " + where + "; " + list(chips) +
                        "; give the line's name as the kernel lists it, or its offset and the chip's label" + hint);
    }
    std::string matches;
    for (const ChosenLine& one : found) matches += (matches.empty() ? "" : ", ") + title(*one.chip, one.offset);
    throw AmbiguousLine("GPIO line '" + line + "' is not unique " + where + ": " + matches +
                        "; give the label of the right chip, or its name where two chips have the same label");
}

}  // namespace dekeyd::drivers
