// The fast cycle (read, parse, decide) against its bare reads, interleaved in one process; and a fixed number of cycles
// for counting instructions.
// Usage: cycle FOLDER                    ratios, as JSON
//        cycle FOLDER --count CYCLES [CHANNELS LIMITS]     so many cycles, of 4 channels and 8 limits or of these
#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <memory>
#include <string>
#include <vector>

#include "core/protection.hpp"
#include "drivers/sensor.hpp"
#include "second_opinion/bounds.hpp"
#include "second_opinion/scans.hpp"

namespace {

using namespace std::chrono_literals;
using namespace dekeyd;
using core::Duration;
using core::Instant;

Instant now() {
    return Instant{std::chrono::duration_cast<Duration>(std::chrono::steady_clock::now().time_since_epoch())};
}

constexpr std::uint16_t forward = 0, reflected = 1, drive = 2;

/// A file of the real sysfs with a number, which costs what the least of a converter's files costs (the conversion and
/// its bus come on top), and is there on every Linux.
constexpr const char* kernel_file = "/sys/class/net/lo/mtu";

/// The scale, in mV a code, that makes this code the power at a log detector: -24.4 mV/dB, 19.6 dBm intercept.
double scale_mv(double watts, double loss_db, double code) {
    return -24.4 * (10.0 * std::log10(watts * 1000.0) - loss_db - 19.6) / code;
}

core::Plan plan_of(std::uint16_t channels, std::size_t limits) {
    core::Plan plan;
    plan.samplers = {static_cast<std::uint16_t>(channels + 1)};
    for (std::uint16_t i = 0; i < channels; ++i) {
        core::Channel channel;
        channel.id = "channel-" + std::to_string(i);
        channel.slot = i;
        channel.allowed_age = 1s;
        if (i <= drive) {
            channel.kind = core::ChannelKind::power;
            core::PowerChain chain;
            chain.detector = core::LogDetector{-0.0244, 19.6};
            chain.coupling_db = i == drive ? 20.0 : 40.0;
            chain.pads_db = 10.0;
            chain.floor_dbm = -50.0;
            chain.ceiling_dbm = 5.0;
            channel.power = chain;
        }
        plan.channels.push_back(channel);
    }
    plan.roles.forward = forward;
    plan.roles.reflected = reflected;
    plan.roles.drive = drive;
    plan.rf.rated_w = 120.0;
    plan.rf.minimum_forward_w = 6.0;
    plan.rf.rf_present_w = 1.0;
    plan.rf.drive_absent_w = 0.05;
    plan.rf.forward_again_slot = channels;
    plan.rf.directivity_db = 30.0;
    for (std::size_t i = 0; i < limits; ++i) {
        core::LimitPlan limit;
        limit.id = "limit-" + std::to_string(i);
        limit.watch = i == 1 ? plan.index(core::Derived::vswr) : static_cast<core::QuantityIndex>(i % channels);
        limit.trip = 1e6 + static_cast<double>(i);
        limit.clear = limit.trip - 1.0;
        limit.qualify = 20ms;
        plan.limits.push_back(limit);
    }
    plan.interlock.settling = 1ms;
    plan.supervision.continuous_drive = true;  // there is drive from the first reading on
    plan.interlock.guard_deadline = 10s;
    return plan;
}

class Cycle {
public:
    Cycle(const std::string& folder, std::uint16_t channels, std::size_t limits, bool of_kernel, bool counted = false)
        : plan_{plan_of(channels, limits)}, protection_{plan_, {}, false}, samples_(channels + 1U), counted_{counted} {
        const std::array<second_opinion::Time, 1> rounds{20ms};
        const second_opinion::Bounds bounds = second_opinion::bounds_of(plan_, rounds);
        second_opinion_ = {bounds.sensors, bounds.bounds};
        const std::string device = folder + "/bus/iio/devices/iio:device0";
        std::filesystem::create_directories(device);
        std::ofstream{device + "/name"} << "ads1015\n";
        double code = 12345.0;
        if (of_kernel) std::ifstream{kernel_file} >> code;
        for (std::uint16_t i = 0; i < channels; ++i) {
            const std::string stem = device + "/in_voltage" + std::to_string(i);
            const std::string path = stem + "_raw";
            if (of_kernel)
                std::filesystem::create_symlink(kernel_file, path);
            else
                std::ofstream{path} << code << '\n';
            const double watts = i == forward ? 80.0 : i == reflected ? 0.8 : 1.3;
            std::ofstream{stem + "_scale"} << (i <= drive ? scale_mv(watts, i == drive ? 30.0 : 50.0, code) : 1.0);
            sensors_.push_back(drivers::make_iio_sensor(folder, {.device = "ads1015",
                                                                 .label = {},
                                                                 .channel = "voltage" + std::to_string(i),
                                                                 .lowest_code = -1e6,
                                                                 .highest_code = 1e6}));
            files_.push_back(::open(path.c_str(), O_RDONLY | O_CLOEXEC));
        }
        if (!settled()) {
            std::fprintf(stderr, "cycle: the measured amplifier isn't permitted, so this would measure a fault\n");
            std::exit(1);
        }
    }
    ~Cycle() {
        for (const int file : files_) ::close(file);
    }
    Cycle(const Cycle&) = delete;
    Cycle& operator=(const Cycle&) = delete;

    /// Mean nanoseconds of one whole cycle.
    double run(int cycles) {
        const Instant begun = now();
        for (int i = 0; i < cycles; ++i) {
            for (std::size_t slot = 0; slot < samples_.size(); ++slot) {
                const Instant at = moment();
                samples_[slot] = sensors_[slot % sensors_.size()]->read();  // the last slot is forward again
                samples_[slot].begun = at;
            }
            const std::array scans{core::Scan{0, samples_}};
            const Instant at = moment();
            const core::Decision decision =
                protection_.step({.now = at,
                                  .scans = scans,
                                  .commands = {},
                                  .line = {.known = true, .permit = protection_.snapshot().permit}});
            if (ask_second_opinion(scans[0], decision.permit, at)) std::abort();  // another case than what is measured
        }
        return std::chrono::duration<double, std::nano>(now() - begun).count() / cycles;
    }
    /// The same of its reads alone.
    double bare(int cycles) {
        std::array<char, 4096> buffer{};
        const Instant begun = now();
        for (int i = 0; i < cycles; ++i)
            for (std::size_t slot = 0; slot < samples_.size(); ++slot)
                bytes_ += ::pread(files_[slot % files_.size()], buffer.data(), buffer.size(), 0);
        return std::chrono::duration<double, std::nano>(now() - begun).count() / cycles;
    }

private:
    // A machine that is busy is late: what is counted, and not timed, has a clock of its own.
    Instant moment() noexcept { return counted_ ? clock_ += std::chrono::microseconds{100} : now(); }
    // As the guard does; by itself, so that its instructions can be counted.
    [[gnu::noinline]] bool ask_second_opinion(const core::Scan& scan, bool permit, Instant at) noexcept {
        second_opinion::show(second_opinion_, scan, at);
        second_opinion_.supply(true, at.time_since_epoch());
        return second_opinion_.against(permit, at.time_since_epoch()).has_value();
    }
    /// Goes on until it permits; false where it never does.
    bool settled() {
        for (int i = 0; i < 100 && !protection_.snapshot().permit; ++i) run(10);
        return protection_.snapshot().permit;
    }

    core::Plan plan_;
    core::Protection protection_;
    second_opinion::Monitor second_opinion_;
    std::vector<core::Sample> samples_;
    std::vector<std::unique_ptr<drivers::Sensor>> sensors_;
    std::vector<int> files_;
    long bytes_ = 0;
    bool counted_;
    Instant clock_{std::chrono::hours{1}};
};

double median(std::vector<double> values) {
    std::sort(values.begin(), values.end());
    return values[values.size() / 2];
}

}  // namespace

int main(int argc, char** argv) {
    if ((argc == 4 || argc == 6) && std::string{argv[2]} == "--count") {
        const int channels = argc == 6 ? std::atoi(argv[4]) : 4, limits = argc == 6 ? std::atoi(argv[5]) : 8;
        Cycle{argv[1], static_cast<std::uint16_t>(channels), static_cast<std::size_t>(limits), false, /*counted=*/true}
            .run(std::atoi(argv[3]));
        return 0;
    }
    if (argc != 2) {
        std::fprintf(stderr, "usage: cycle FOLDER [--count CYCLES [CHANNELS LIMITS]]\n");
        return 2;
    }
    constexpr std::array<std::pair<std::uint16_t, std::size_t>, 3> sizes{{{4, 8}, {4, 64}, {64, 256}}};
    const bool of_kernel = std::filesystem::exists(kernel_file);
    std::printf("{\"of\": \"%s\", \"sizes\": [", of_kernel ? "sysfs" : "plain files");
    for (std::size_t i = 0; i < sizes.size(); ++i) {
        const auto [channels, limits] = sizes[i];
        Cycle cycle{std::string{argv[1]} + "/" + std::to_string(i), channels, limits, of_kernel};
        const int block = channels > 4 ? 10 : 100;
        std::vector<double> ratios, whole, reads;
        // Short blocks in turn, so that the machine's other work falls on both.
        for (int pair = 0; pair < 501; ++pair) {
            reads.push_back(cycle.bare(block));
            whole.push_back(cycle.run(block));
            ratios.push_back(whole.back() / reads.back());
        }
        std::printf("%s{\"channels\": %d, \"limits\": %zu, \"ratio\": %.4f, \"cycle_ns\": %.0f, \"reads_ns\": %.0f}",
                    i == 0 ? "" : ", ", channels, limits, median(ratios), median(whole), median(reads));
    }
    std::printf("]}\n");
    return 0;
}
