#include "bench/runner.hpp"

#include <fmt/format.h>
#include <poll.h>
#include <time.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <memory>
#include <optional>
#include <stdexcept>

#include "bench/control.hpp"
#include "bench/kernel_files.hpp"
#include "bench/line_file.hpp"

namespace bench {
namespace {

namespace fs = std::filesystem;

constexpr std::int64_t step_ns = 1'000'000;

std::int64_t monotonic_ns() {
    timespec now{};
    ::clock_gettime(CLOCK_MONOTONIC, &now);
    return std::int64_t{1'000'000'000} * now.tv_sec + now.tv_nsec;
}

void sleep_until(std::int64_t at_ns) {
    timespec at{};
    at.tv_sec = at_ns / 1'000'000'000;
    at.tv_nsec = at_ns % 1'000'000'000;
    ::clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &at, nullptr);  // a signal may end it early: all the same
}

/// A folder that is the kernel's own would be spoilt, or would spoil us.
fs::path checked_root(const std::string& root) {
    fs::create_directories(root);
    const fs::path real = fs::canonical(root);
    for (const char* kernels : {"/sys", "/proc", "/dev"}) {
        const auto relative = real.lexically_relative(kernels);
        if (!relative.empty() && *relative.begin() != "..") {
            throw std::runtime_error(fmt::format("--root {}: lies in {}; expected a folder of its own", root, kernels));
        }
    }
    if (real == "/") throw std::runtime_error("--root /: expected a folder of its own");
    return real;
}

/// Commands on standard input, taken without waiting.
class StandardInput {
public:
    /// False once it has closed.
    bool poll(Bench& bench) {
        pollfd ready{STDIN_FILENO, POLLIN, 0};
        if (::poll(&ready, 1, 0) <= 0) return true;
        char bytes[4096];
        const ssize_t got = ::read(STDIN_FILENO, bytes, sizeof bytes);
        if (got == 0 || (got < 0 && errno != EINTR && errno != EAGAIN)) return false;
        if (got > 0) lines_.add(std::string_view(bytes, static_cast<std::size_t>(got)));
        std::string line;
        while (lines_.next(line)) std::cout << bench.answer(line) << std::endl;
        return true;
    }

private:
    LineBuffer lines_;
};

}  // namespace

void run(const RunOptions& options, Scenario scenario, const std::function<bool()>& stop) {
    const fs::path root = checked_root(options.root);
    std::ofstream report;
    if (!options.report.empty()) {
        report.open(options.report, std::ios::app);
        if (!report) throw std::runtime_error(fmt::format("--report {}: cannot be written", options.report));
    }
    const std::int64_t began_ns = monotonic_ns();
    Bench bench(options.seed, began_ns, options.station.parameters);
    bench.amplifier().drive(options.station.usual_drive_w);
    bench.amplifier().thermal_speed(options.thermal_speed);
    LineFile line(options.line);
    KernelFiles files(root, options.station.instruments);
    files.write(bench.amplifier().registers(), bench.showing());
    // Last, so that a client that finds the socket finds the files too.
    std::optional<Control> control;
    if (!options.control.empty()) control.emplace(options.control);
    StandardInput standard_input;

    std::int64_t next_ns = began_ns;
    while (!stop()) {
        const std::int64_t now_ns = monotonic_ns();
        // First the past, with the line as it was; a late step must not open the relay before its time.
        if (!scenario.play(bench, now_ns)) break;
        bench.line(line.permits());
        if (control) control->poll([&](std::string_view text) { return bench.answer(text); });
        if (options.standard_input && !standard_input.poll(bench)) break;
        files.write(bench.amplifier().registers(), bench.showing());
        bool wrote = false;
        for (const Event& event : bench.take_events()) {
            if (report.is_open()) report << json_of(event) << '\n';
            wrote = true;
        }
        if (wrote && report.is_open()) report.flush();
        if (options.for_s > 0.0 && static_cast<double>(now_ns - began_ns) * 1e-9 >= options.for_s) break;
        next_ns += step_ns;
        if (next_ns < now_ns) next_ns = now_ns + step_ns;  // late: no hurry to catch up, the model has its own clock
        sleep_until(next_ns);
    }
}

void simulate(std::uint64_t seed, double thermal_speed, double for_s, double every_s, Scenario scenario,
              std::ostream& out) {
    Bench bench(seed);
    bench.amplifier().thermal_speed(thermal_speed);
    bench.line(true);
    bool heading = true;
    for (std::int64_t row = 0; static_cast<double>(row) * every_s <= for_s; ++row) {
        const bool goes_on = scenario.play(bench, static_cast<std::int64_t>(static_cast<double>(row) * every_s * 1e9));
        const auto values = quantities(bench.amplifier().truth());
        if (heading) {
            for (const auto& [name, value] : values) out << name << (name == values.back().first ? "\n" : ",");
            heading = false;
        }
        for (const auto& [name, value] : values) {
            out << fmt::format("{:.6g}", value) << (name == values.back().first ? "\n" : ",");
        }
        bench.take_events();
        if (!goes_on) break;
    }
}

}  // namespace bench
