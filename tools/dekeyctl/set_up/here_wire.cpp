#include "dekeyctl/set_up/here_wire.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <grp.h>
#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string_view>
#include <utility>

#include "drivers/attribute.hpp"
#include "drivers/w1_conversion.hpp"

namespace dekeyd::ctl {
namespace {

using core::Fault;

constexpr const char* group_name = "dekeyd";  // systemd/udev.rules
constexpr std::string_view give_access =
    "'sudo udevadm trigger --action=add --subsystem-match=w1' applies the package's rule, and the service wants the "
    "drop-in thermometers.conf";

// Why the guard may not write a file; empty: by its mode it may.
std::string refused(const std::string& path, const Machine& machine) {
    struct stat there {};
    if (::stat(path.c_str(), &there) != 0)
        return fmt::format("{}: {}", path, core::text(core::fault_from_errno(errno)));
    if ((there.st_mode & S_IWOTH) != 0) return {};
    if ((there.st_mode & S_IWGRP) == 0) return fmt::format("only root may write {}; {}", path, give_access);
    if (!machine.guards_group)
        return fmt::format("there is no group {} that may write {}; install the package, which makes it", group_name,
                           path);
    if (there.st_gid == *machine.guards_group) return {};
    return fmt::format("the group {} may not write {}, another may; {}", group_name, path, give_access);
}

bool opens_devices(const std::filesystem::path& file) {
    constexpr std::string_view key = "ReadWritePaths";
    std::ifstream lines{file};
    for (std::string line; std::getline(lines, line);) {
        if (!line.starts_with(key)) continue;
        const auto sign = line.find('=');
        if (sign == std::string::npos || line.find_first_not_of(' ', key.size()) != sign) continue;
        std::istringstream words{line.substr(sign + 1)};
        for (std::string word; words >> word;) {
            word.erase(0, std::min(word.find_first_not_of("-+"), word.size()));
            while (word.size() > 1 && word.back() == '/') word.pop_back();
            if (word == "/sys/devices" || word == "/sys" || word == "/") return true;
        }
    }
    return false;
}

// A unit's drop-ins are all that end in .conf, in any of its folders.
void look_at_drop_ins(const formats::BusConfig& bus, const Machine& machine, Here& here) {
    if (machine.drop_ins.empty()) return;
    bool all_seen = true;
    for (const std::string& folder : machine.drop_ins) {
        std::error_code error;
        std::filesystem::directory_iterator file{folder, error};
        for (; !error && file != std::filesystem::directory_iterator{}; file.increment(error))
            if (file->path().extension() == ".conf" && opens_devices(file->path())) return;
        if (error && error != std::errc::no_such_file_or_directory) all_seen = false;
    }
    if (!all_seen)
        here.unseen.push_back(
            fmt::format("bus '{}': {} can't be read, and whether the service has the drop-in thermometers.conf isn't "
                        "seen; use sudo",
                        bus.id, fmt::join(machine.drop_ins, ", ")));
    else
        here.amiss.push_back(fmt::format(
            "bus '{}': {} has no drop-in that lets the service write below /sys/devices; copy thermometers.conf there "
            "from {}, then 'sudo systemctl daemon-reload' and restart the service",
            bus.id, machine.drop_ins.front(), "/usr/share/doc/dekeyd/drop-ins"));
}

void look_at_conversion(const std::string& root, const formats::BusConfig& bus, const Machine& machine, Here& here) {
    std::vector<std::string> ids;
    for (const formats::SlotConfig& slot : bus.slots) ids.push_back(slot.address);
    const drivers::BulkRead found = drivers::find_bulk_read(root, ids);
    const auto amiss = [&](std::string_view what) { here.amiss.push_back(fmt::format("bus '{}': {}", bus.id, what)); };
    if (found.fault == Fault::wrong_device)
        amiss(
            "its thermometers are on several bus masters; expected one to convert together: give each master a bus of "
            "its own, without 'convert_together' where it has no therm_bulk_read");
    else if (found.path.empty())
        return;  // each is said to be absent
    else if (found.fault == Fault::absent)
        amiss(fmt::format(
            "{} isn't there, and nothing converts together: it takes Linux 5.10, and the kernel gives it to "
            "one master alone; expected 'convert_together: no'",
            found.path));
    else if (found.fault != Fault::none)
        amiss(fmt::format("{}: {}", found.path, core::text(found.fault)));
    else if (const std::string why = refused(found.path, machine); !why.empty())
        amiss(why);
    else
        here.seen.push_back(fmt::format("bus '{}': its thermometers may convert together, by {}", bus.id, found.path));
}

void look_at_bits(const std::string& root, const formats::SlotConfig& slot, int bits, const Machine& machine,
                  Here& here) {
    const std::string folder = root + "/bus/w1/devices/" + slot.address, path = folder + "/resolution";
    const core::Sensed now = drivers::read_number(path);
    std::error_code error;
    if (now.fault == Fault::none && now.value == bits) return;
    if (now.fault == Fault::absent) {
        if (std::filesystem::exists(folder, error))
            here.amiss.push_back(fmt::format(
                "{}: {} isn't there, and its bits can't be set: it takes Linux 5.10; expected no 'bits' on its bus",
                slot.sensor, path));
        return;
    }
    if (const std::string why = refused(path, machine); !why.empty())
        here.amiss.push_back(fmt::format("{}: it is set to other bits than {}, and {}", slot.sensor, bits, why));
}

}  // namespace

void look_at_writing(const std::string& root, const formats::BusConfig& bus, const Machine& machine, Here& here) {
    if (!bus.convert_together && !bus.bits) return;
    look_at_drop_ins(bus, machine, here);
    if (bus.convert_together) look_at_conversion(root, bus, machine, here);
    if (!bus.bits) return;
    for (const formats::SlotConfig& slot : bus.slots) look_at_bits(root, slot, *bus.bits, machine, here);
}

std::optional<::gid_t> guards_group() {
    const ::group* const found = ::getgrnam(group_name);
    return found == nullptr ? std::nullopt : std::optional{found->gr_gid};
}

std::vector<std::string> drop_in_folders(const std::string& file) {
    const std::string name = std::filesystem::path{file}.stem().string();
    const bool instance = name != "dekeyd";
    const std::string unit = instance ? "dekeyd@.service" : "dekeyd.service";
    // In the order in which an administrator would put it there.
    constexpr std::array units{"/etc/systemd/system/", "/run/systemd/system/", "/usr/local/lib/systemd/system/",
                               "/usr/lib/systemd/system/", "/lib/systemd/system/"};
    std::error_code error;
    std::vector<std::string> folders;
    bool installed = false;
    for (const char* const units_folder : units) {
        installed = installed || std::filesystem::exists(units_folder + unit, error);
        if (instance) folders.push_back(fmt::format("{}dekeyd@{}.service.d", units_folder, name));
        folders.push_back(units_folder + unit + ".d");
    }
    return installed ? folders : std::vector<std::string>{};
}

}  // namespace dekeyd::ctl
