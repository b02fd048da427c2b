#include "bench/kernel_files.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdint>
#include <cstring>
#include <stdexcept>
#include <utility>

namespace bench {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view garbage = "  2?q7!\n";  // as long as a number
constexpr std::string_view shorted_w1_slave =
    "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n";

/// x^8 + x^5 + x^4 + 1, lowest bit first: Maxim's CRC for 1-Wire.
std::uint8_t crc_of(const std::array<std::uint8_t, 8>& bytes) noexcept {
    unsigned crc = 0;
    for (const std::uint8_t byte : bytes) {
        crc ^= byte;
        for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0U ? (crc >> 1U) ^ 0x8CU : crc >> 1U;
    }
    return static_cast<std::uint8_t>(crc);
}

[[noreturn]] void fail(const std::string& what, const fs::path& path) {
    throw std::runtime_error(fmt::format("{} {}: {}", what, path.string(), std::strerror(errno)));
}

fs::path hwmon(int number) {
    return fs::path("class/hwmon") / fmt::format("hwmon{}", number);
}

fs::path iio(int number) {
    return fs::path("bus/iio/devices") / fmt::format("iio:device{}", number);
}

}  // namespace

std::string number_text(int value) {
    return fmt::format("{:7d}\n", value);
}

int millidegrees(int sixteenths) noexcept {
    return sixteenths * 1000 / 16;
}  // toward zero, as the driver does

std::string w1_slave_text(int sixteenths) {
    const auto raw = static_cast<std::uint16_t>(sixteenths);
    // The scratchpad: value, alarm levels, configuration (12 bits), reserved, "count remain", reserved.
    const std::array<std::uint8_t, 8> pad{static_cast<std::uint8_t>(raw & 0xFFU),
                                          static_cast<std::uint8_t>(raw >> 8U),
                                          0x4b,
                                          0x46,
                                          0x7f,
                                          0xff,
                                          0x0c,
                                          0x10};
    std::string bytes;
    for (const std::uint8_t byte : pad) bytes += fmt::format("{:02x} ", byte);
    const std::uint8_t crc = crc_of(pad);
    bytes += fmt::format("{:02x} ", crc);
    return fmt::format("{}: crc={:02x} YES\n{}t={}\n", bytes, crc, bytes, millidegrees(sixteenths));
}

DeviceFolder::DeviceFolder(fs::path root, fs::path place) : root_(std::move(root)), place_(std::move(place)) {}

DeviceFolder::~DeviceFolder() {
    try {
        hide();
    } catch (const std::exception&) {  // nothing left to tell
    }
    close_files();
}

void DeviceFolder::file(const std::string& name, std::string text, bool constant) {
    files_[name] = File{std::move(text), constant, -1};
}

void DeviceFolder::open_files(const fs::path& folder) {
    for (auto& [name, file] : files_) {
        const fs::path path = folder / name;
        file.descriptor = ::open(path.c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
        if (file.descriptor < 0) fail("cannot create", path);
        if (::pwrite(file.descriptor, file.text.data(), file.text.size(), 0) < 0) fail("cannot write", path);
    }
}

void DeviceFolder::close_files() noexcept {
    for (auto& [name, file] : files_) {
        if (file.descriptor >= 0) ::close(file.descriptor);
        file.descriptor = -1;
    }
}

void DeviceFolder::show() {
    if (jammed_) unjam();
    if (shown_) return;
    const fs::path making = root_ / ".making" / place_.filename();
    fs::remove_all(making);
    fs::create_directories(making);
    open_files(making);
    fs::create_directories((root_ / place_).parent_path());
    fs::remove_all(root_ / place_);  // left over from a bench that was killed
    fs::rename(making, root_ / place_);
    shown_ = true;
}

void DeviceFolder::hide() {
    if (jammed_) unjam();
    if (!shown_) return;
    close_files();
    // Away first and whole, then taken apart where no driver looks.
    const fs::path gone = root_ / ".making" / ("gone-" + place_.filename().string());
    fs::remove_all(gone);
    fs::rename(root_ / place_, gone);
    fs::remove_all(gone);
    shown_ = false;
}

void DeviceFolder::jam() {
    if (jammed_) return;
    show();
    close_files();
    for (const auto& [name, file] : files_) {
        if (file.constant) continue;
        const fs::path making = root_ / ".making" / name;
        fs::remove(making);
        // A pipe without a writer: opening it for reading waits, as a driver does on a bus that hangs.
        if (::mkfifo(making.c_str(), 0644) != 0) fail("cannot create", making);
        fs::rename(making, root_ / place_ / name);
    }
    jammed_ = true;
}

void DeviceFolder::unjam() {
    if (!jammed_) return;
    jammed_ = false;
    for (auto& [name, file] : files_) {
        const fs::path path = root_ / place_ / name;
        const int waker = file.constant ? -1 : ::open(path.c_str(), O_WRONLY | O_NONBLOCK | O_CLOEXEC);
        const fs::path making = root_ / ".making" / name;
        fs::remove(making);
        file.descriptor = ::open(making.c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
        if (file.descriptor < 0) fail("cannot create", making);
        if (::pwrite(file.descriptor, file.text.data(), file.text.size(), 0) < 0) fail("cannot write", making);
        fs::rename(making, path);
        if (waker >= 0) ::close(waker);
    }
}

void DeviceFolder::move(fs::path place) {
    if (place == place_) return;
    if (shown_) {
        fs::remove_all(root_ / place);
        fs::rename(root_ / place_, root_ / place);
    }
    place_ = std::move(place);
}

void DeviceFolder::write(const std::string& name, std::string_view text) {
    File& file = files_.at(name);
    if (file.text == text) return;
    const std::size_t before = file.text.size();
    file.text = text;
    if (file.descriptor < 0) return;
    if (text.empty()) {
        if (::ftruncate(file.descriptor, 0) != 0) fail("cannot empty", root_ / place_ / name);
        return;
    }
    // A shorter text (w1_slave alone has them) is filled up with newlines until it is cut.
    std::string whole(text);
    if (whole.size() < before) whole.append(before - whole.size(), '\n');
    if (::pwrite(file.descriptor, whole.data(), whole.size(), 0) < 0) fail("cannot write", root_ / place_ / name);
    if (whole.size() != text.size() && ::ftruncate(file.descriptor, static_cast<off_t>(text.size())) != 0) {
        fail("cannot cut", root_ / place_ / name);
    }
}

KernelFiles::KernelFiles(const fs::path& root, const Instruments& instruments)
    : instruments_(instruments),
      heatsink_(root, fs::path("bus/w1/devices") / heatsink_id),
      replacement_(root, fs::path("bus/w1/devices") / replacement_id),
      air_(root, fs::path("bus/w1/devices") / air_id),
      adc_(root, iio(0)),
      psu_(root, hwmon(0)),
      fan_(root, hwmon(1)),
      contacts_(root, "contact") {
    fs::create_directories(root / ".making");
    // What a bench that was killed may have left where this one begins with nothing: a second match for a name.
    for (const fs::path& left : {fs::path("bus/w1/devices") / replacement_id, iio(4), hwmon(4), hwmon(5)}) {
        fs::remove_all(root / left);
    }
    const std::pair<DeviceFolder*, std::string_view> sensors[] = {
        {&heatsink_, heatsink_id}, {&replacement_, replacement_id}, {&air_, air_id}};
    for (const auto& sensor : sensors) {
        sensor.first->file("name", std::string(sensor.second) + "\n", true);
        sensor.first->file("temperature", number_text(0));
        sensor.first->file("w1_slave", w1_slave_text(0));
    }
    adc_.file("name", "ads1015\n", true);
    for (int channel = 0; channel < 4; ++channel) {
        adc_.file(fmt::format("in_voltage{}_raw", channel), number_text(0));
        adc_.file(fmt::format("in_voltage{}_scale", channel), std::string(adc_scale), true);
    }
    psu_.file("name", "ltc4151\n", true);
    psu_.file("in1_input", number_text(0));
    psu_.file("curr1_input", number_text(0));
    fan_.file("name", "pwmfan\n", true);
    for (int fan = 1; fan <= instruments_.fans; ++fan) fan_.file(fmt::format("fan{}_input", fan), number_text(0));
    for (const char* contact : {"emergency-stop", "lid", "key", "enable"}) contacts_.file(contact, "0\n");
}

void KernelFiles::write(const Registers& registers, const Faults& faults) {
    write_sensor(heatsink_, &replacement_, registers.heatsink_sixteenths, faults.heatsink, before_.heatsink);
    write_sensor(air_, nullptr, registers.air_sixteenths, faults.air, before_.air);

    std::array<int, 4> codes = registers.adc;
    if (faults.adc == ChipFault::exchanged) std::swap(codes[forward], codes[reflected]);
    std::map<std::string, int> voltages;
    for (std::size_t channel = 0; channel < codes.size(); ++channel) {
        const int code = faults.unplugged[channel] ? codes[channel] % 3 : codes[channel];
        voltages[fmt::format("in_voltage{}_raw", channel)] = code;
    }
    write_chip(adc_, voltages, faults.adc, 32767, -1, iio(0), iio(4));
    if (instruments_.supply_monitor)
        write_chip(psu_, {{"in1_input", registers.supply_mv}, {"curr1_input", registers.current_ma}}, faults.psu,
                   ltc4151_in_mv(1e3), ltc4151_in_mv(1e3), hwmon(0), hwmon(4));
    std::map<std::string, int> fans;
    for (int fan = 1; fan <= instruments_.fans; ++fan) fans[fmt::format("fan{}_input", fan)] = registers.fan_rpm;
    if (!fans.empty()) write_chip(fan_, fans, faults.fan, 65535, 65535, hwmon(1), hwmon(5));

    contacts_.write("emergency-stop", registers.emergency_closed ? "1\n" : "0\n");
    contacts_.write("lid", registers.lid_closed ? "1\n" : "0\n");
    contacts_.write("key", registers.key_closed ? "1\n" : "0\n");
    contacts_.write("enable", registers.enable_present ? "1\n" : "0\n");
    contacts_.show();
    before_ = faults;
}

void KernelFiles::write_sensor(DeviceFolder& folder, DeviceFolder* replacement, int sixteenths, SensorFault fault,
                               SensorFault before) {
    DeviceFolder* shown = &folder;
    if (fault == SensorFault::swapped && replacement != nullptr) {
        folder.hide();
        shown = replacement;
    } else if (replacement != nullptr && before == SensorFault::swapped) {
        replacement->hide();
    }
    switch (fault) {
        case SensorFault::good:
        case SensorFault::rf_noise:  // good or bad CRC by the moment: decided by Bench::showing
        case SensorFault::swapped:
            shown->write("temperature", number_text(millidegrees(sixteenths)));
            shown->write("w1_slave", w1_slave_text(sixteenths));
            break;
        case SensorFault::empty:
        case SensorFault::crc:
            shown->write("temperature", "");
            shown->write("w1_slave", "");
            break;
        case SensorFault::garbage:
            shown->write("temperature", garbage);
            shown->write("w1_slave", garbage);
            break;
        case SensorFault::power_on:
            shown->write("temperature", number_text(85000));
            shown->write("w1_slave", w1_slave_text(85 * 16));
            break;
        case SensorFault::shorted:
            shown->write("temperature", number_text(0));
            shown->write("w1_slave", shorted_w1_slave);
            break;
        case SensorFault::frozen:
        case SensorFault::jammed:
        case SensorFault::absent: break;
    }
    if (fault == SensorFault::absent || (fault == SensorFault::swapped && replacement == nullptr)) {
        folder.hide();
    } else if (fault == SensorFault::jammed) {
        folder.jam();
    } else {
        shown->show();
    }
}

void KernelFiles::write_chip(DeviceFolder& folder, const std::map<std::string, int>& values, ChipFault fault,
                             int end_of_scale, int all_ones, const fs::path& usual, const fs::path& other) {
    for (const auto& [name, value] : values) {
        switch (fault) {
            case ChipFault::empty: folder.write(name, ""); break;
            case ChipFault::garbage: folder.write(name, garbage); break;
            case ChipFault::railed: folder.write(name, number_text(end_of_scale)); break;
            case ChipFault::zero: folder.write(name, number_text(0)); break;
            case ChipFault::ones: folder.write(name, number_text(all_ones)); break;
            case ChipFault::good:
            case ChipFault::exchanged:
            case ChipFault::renumbered: folder.write(name, number_text(value)); break;
            case ChipFault::stuck:
            case ChipFault::absent:
            case ChipFault::jammed: break;
        }
    }
    if (fault == ChipFault::absent) {
        folder.hide();
    } else if (fault == ChipFault::jammed) {
        folder.jam();
    } else {
        folder.show();
    }
    folder.move(fault == ChipFault::renumbered ? other : usual);
}

}  // namespace bench
