#include "dekeyctl/set_up/here_wire.hpp"

#include <fmt/format.h>

#include <filesystem>
#include <string_view>
#include <utility>

#include "drivers/attribute.hpp"
#include "drivers/w1_conversion.hpp"

namespace dekeyd::ctl {
namespace {

using core::Fault;
using std::filesystem::perms;

constexpr std::string_view give_access =
    "'sudo udevadm trigger --action=add --subsystem-match=w1' applies the package's rule, and the service wants the "
    "drop-in thermometers.conf";

void look_at_conversion(const std::string& root, const formats::BusConfig& bus, Here& here) {
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
    else if (!found.for_a_group)
        amiss(fmt::format("only root may write {}; {}", found.path, give_access));
    else
        here.seen.push_back(fmt::format("bus '{}': its thermometers may convert together, by {}", bus.id, found.path));
}

void look_at_bits(const std::string& root, const formats::SlotConfig& slot, int bits, Here& here) {
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
    const perms mode = std::filesystem::status(path, error).permissions();
    if ((mode & (perms::group_write | perms::others_write)) == perms::none)
        here.amiss.push_back(fmt::format("{}: it is set to other bits than {}, and only root may write {}; {}",
                                         slot.sensor, bits, path, give_access));
}

}  // namespace

void look_at_writing(const std::string& root, const formats::BusConfig& bus, Here& here) {
    if (bus.convert_together) look_at_conversion(root, bus, here);
    if (!bus.bits) return;
    for (const formats::SlotConfig& slot : bus.slots) look_at_bits(root, slot, *bus.bits, here);
}

}  // namespace dekeyd::ctl
