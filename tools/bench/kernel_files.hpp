// The files that the kernel would show, in a folder of their own:
//
//   bus/w1/devices/28-0000000000a1/{name,temperature,w1_slave}   heatsink   (28-0000000000b7 when swapped)
//   bus/w1/devices/28-0000000000a2/{name,temperature,w1_slave}   air
//   bus/iio/devices/iio:device0/{name,in_voltage0_raw,in_voltage0_scale, .. 3}   ads1015
//   class/hwmon/hwmon0/{name,in1_input,curr1_input}              ltc4151
//   class/hwmon/hwmon1/{name,fan1_input}                         pwmfan (fan2_input too, where there are two)
//   contact/{emergency-stop,lid,key,enable}                      1 closed or present, 0 open or absent
//
// A number has always the same length (blanks before it) and is written by one pwrite, so that no reader sees half a
// value. Folders are made elsewhere and moved into their place whole.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <string_view>

#include "bench/chips.hpp"
#include "bench/faults.hpp"

namespace bench {

inline constexpr std::string_view heatsink_id = "28-0000000000a1";
inline constexpr std::string_view air_id = "28-0000000000a2";
inline constexpr std::string_view replacement_id = "28-0000000000b7";
inline constexpr std::string_view adc_scale = "0.062500000\n";  ///< mV per code, as an ADS1115's driver prints it

/// What a station has beside its thermometers and its converter.
struct Instruments {
    bool supply_monitor = true;
    int fans = 1;  ///< 0: no fan chip
};

/// Eight bytes: the number after blanks, and a newline.
std::string number_text(int value);
/// Both lines of w1_slave for a value in sixteenths of a degree.
std::string w1_slave_text(int sixteenths);
/// What the kernel's `temperature` says for a value in sixteenths: whole millidegrees.
int millidegrees(int sixteenths) noexcept;

/// One folder of files. Not there until `show`.
class DeviceFolder {
public:
    /// `place` below `root`. `root` must exist.
    DeviceFolder(std::filesystem::path root, std::filesystem::path place);
    ~DeviceFolder();
    DeviceFolder(const DeviceFolder&) = delete;
    DeviceFolder& operator=(const DeviceFolder&) = delete;

    void file(const std::string& name, std::string text, bool constant = false);  ///< what it holds when shown
    void show();   ///< makes the folder with all its files, unless it is there
    void hide();   ///< takes it away; open files go on reading their last text
    void jam();    ///< opening one of its changing files hangs
    void unjam();  ///< lets go each reader that hangs there
    void move(std::filesystem::path place);
    void write(const std::string& name, std::string_view text);  ///< by one pwrite at 0, if it changed

private:
    struct File {
        std::string text;
        bool constant = false;
        int descriptor = -1;
    };
    void open_files(const std::filesystem::path& folder);
    void close_files() noexcept;

    std::filesystem::path root_, place_;
    std::map<std::string, File> files_;
    bool shown_ = false, jammed_ = false;
};

/// All of them. Throws std::runtime_error or std::filesystem::filesystem_error where the folder can't be written.
class KernelFiles {
public:
    explicit KernelFiles(const std::filesystem::path& root, const Instruments& instruments = {});
    void write(const Registers& registers, const Faults& faults);

private:
    void write_sensor(DeviceFolder& folder, DeviceFolder* replacement, int sixteenths, SensorFault fault,
                      SensorFault before);
    void write_chip(DeviceFolder& folder, const std::map<std::string, int>& values, ChipFault fault, int end_of_scale,
                    int all_ones, const std::filesystem::path& usual, const std::filesystem::path& other);

    Instruments instruments_;
    DeviceFolder heatsink_, replacement_, air_, adc_, psu_, fan_, contacts_;
    Faults before_;
};

}  // namespace bench
