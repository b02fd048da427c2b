#include "drivers/w1_conversion.hpp"

#include <limits.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <time.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <string_view>

#include "drivers/attribute.hpp"
#include "drivers/identity.hpp"

namespace dekeyd::drivers {

using core::Fault;

namespace {

constexpr std::string_view file_name = "therm_bulk_read";
/// With its newline: the kernel compares the length too, counting one more byte, and says nothing where it differs.
constexpr std::string_view trigger = "trigger\n";
constexpr long look_every_ns = 5'000'000;

using Path = std::array<char, PATH_MAX + file_name.size() + 2>;

/// A thermometer's folder stands in its master's. Fills `path` with that master's file.
Fault find_file(const std::vector<std::string>& devices, Path& path) noexcept {
    std::array<char, PATH_MAX> real;
    std::size_t length = 0;
    Fault fault = Fault::absent;
    for (const std::string& device : devices) {
        if (::realpath(device.c_str(), real.data()) == nullptr) {
            if (length == 0) fault = core::fault_from_errno(errno);
            continue;
        }
        std::string_view master{real.data()};
        master = master.substr(0, master.rfind('/') + 1);
        if (length == 0) {
            length = master.size();
            std::memcpy(path.data(), master.data(), length);
        } else if (master != std::string_view{path.data(), length}) {
            return Fault::wrong_device;
        }
    }
    if (length == 0) return fault;
    std::memcpy(path.data() + length, file_name.data(), file_name.size());
    path[length + file_name.size()] = '\0';
    return Fault::none;
}

std::vector<std::string> folders_of(const std::string& root, const std::vector<std::string>& ids) {
    std::vector<std::string> folders;
    for (const std::string& id : ids) {
        require_plain_name(id, "1-Wire id");
        folders.push_back(root + "/bus/w1/devices/" + id);
    }
    return folders;
}

class W1Conversion final : public Conversion {
public:
    W1Conversion(std::vector<std::string> devices, const ConversionTime& time)
        : devices_{std::move(devices)}, time_{time} {}

    Fault convert(const std::atomic<bool>& leave) noexcept override {
        Path path;
        if (const Fault fault = find_file(devices_, path); fault != Fault::none) return fault;
        // Opened before the trigger, and not kept: a master that went and came is another.
        Attribute status;
        if (const Fault fault = status.follow(path.data()); fault != Fault::none) return fault;
        const core::Instant begun = time_.clock();
        if (const Fault fault = write_text(path.data(), trigger); fault != Fault::none) return fault;
        // The kernel comes back from the write when it is over (its source); its documentation promises only the
        // status.
        for (;;) {
            const core::Duration taken = time_.clock() - begun;
            const core::Sensed said = status.number();
            if (said.fault != Fault::none) return said.fault;
            if (said.value == 1.0) return taken >= time_.least ? Fault::none : Fault::io_error;
            if (said.value == 0.0) return Fault::io_error;  // the trigger failed
            if (said.value != -1.0) return Fault::garbled;
            if (taken > time_.longest || leave.load(std::memory_order_acquire)) return Fault::io_error;
            const timespec pause{.tv_sec = 0, .tv_nsec = look_every_ns};
            ::nanosleep(&pause, nullptr);
        }
    }

private:
    std::vector<std::string> devices_;
    ConversionTime time_;
};

}  // namespace

BulkRead find_bulk_read(const std::string& root, const std::vector<std::string>& ids) {
    Path path;
    BulkRead found{.fault = find_file(folders_of(root, ids), path), .path = {}};
    if (found.fault != Fault::none) return found;
    found.path = path.data();
    struct stat there {};
    if (::stat(path.data(), &there) != 0) found.fault = core::fault_from_errno(errno);
    return found;
}

std::unique_ptr<Conversion> make_w1_conversion(const std::string& root, const std::vector<std::string>& ids,
                                               const ConversionTime& time) {
    return std::make_unique<W1Conversion>(folders_of(root, ids), time);
}

}  // namespace dekeyd::drivers
