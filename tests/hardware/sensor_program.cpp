// Reads the kernel's sensor files as it is told on stdin, a line at a time, and answers each with one line that begins
// with "= ". Runs on the virtual board against the real drivers, and on the test's machine against the bench's files.
//   read PATH                        milliseconds, then "ok" and the bytes, or where it failed and errno's name
//   w1 ROOT ID | iio ROOT DEVICE CHANNEL | hwmon ROOT CHIP CHANNEL
//                                    milliseconds, then what the daemon's own driver makes of it: value or fault
#include <fcntl.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <iostream>
#include <memory>
#include <sstream>
#include <string>

#include "drivers/sensor.hpp"

namespace {

using Clock = std::chrono::steady_clock;

long milliseconds_since(Clock::time_point began) {
    return std::chrono::duration_cast<std::chrono::milliseconds>(Clock::now() - began).count();
}

std::string shown(const char* bytes, ssize_t size) {
    std::string text;
    for (ssize_t i = 0; i < size; ++i) text += bytes[i] == '\n' ? std::string("\\n") : std::string(1, bytes[i]);
    return '"' + text + '"';
}

std::string read_file(const std::string& path) {
    const int file = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (file < 0) return std::string("open ") + ::strerrorname_np(errno);
    std::array<char, 4096> buffer{};
    const ssize_t size = ::pread(file, buffer.data(), buffer.size(), 0);
    const int error = errno;
    ::close(file);
    return size < 0 ? std::string("read ") + ::strerrorname_np(error) : "ok " + shown(buffer.data(), size);
}

std::string read_sensor(dekeyd::drivers::Sensor& sensor) {
    const dekeyd::core::Sample sample = sensor.read();
    if (sample.fault != dekeyd::core::Fault::none) return std::string(dekeyd::core::text(sample.fault));
    std::ostringstream value;
    value << sample.value;
    return value.str();
}

}  // namespace

int main() {
    namespace drivers = dekeyd::drivers;
    std::string line;
    while (std::getline(std::cin, line)) {
        std::istringstream words(line);
        std::string kind, first, second, third, answer;
        words >> kind >> first >> second >> third;
        if (kind == "leave") return 0;
        const Clock::time_point began = Clock::now();
        if (kind == "read") {
            answer = read_file(first);
        } else if (kind == "w1") {
            answer = read_sensor(*drivers::make_w1_sensor(first, second));
        } else if (kind == "iio") {
            answer = read_sensor(*drivers::make_iio_sensor(
                first,
                {.device = second, .label = {}, .channel = third, .lowest_code = -32768, .highest_code = 32767}));
        } else if (kind == "hwmon") {
            answer = read_sensor(*drivers::make_hwmon_sensor(first, {.chip = second, .label = {}, .channel = third}));
        } else {
            answer = "unknown word " + kind;
        }
        std::cout << "= " << milliseconds_since(began) << ' ' << answer << std::endl;
    }
    return 0;
}
