#include "bench/runner.hpp"

#include <doctest/doctest.h>

#include <atomic>
#include <chrono>
#include <functional>
#include <sstream>
#include <stdexcept>
#include <string>
#include <thread>

#include "temporary.hpp"

using namespace bench;

namespace {

/// Waits for a condition, with a wide cap.
bool comes_true(const std::function<bool()>& condition) {
    for (int i = 0; i < 4000; ++i) {
        if (condition()) return true;
        std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
    return false;
}

}  // namespace

TEST_CASE("in real time: files follow, the line is obeyed, the report tells, and all is taken away at the end") {
    const TemporaryFolder folder;
    RunOptions options;
    options.root = (folder.path / "sys").string();
    options.line = (folder.path / "line").string();
    options.report = (folder.path / "report").string();
    options.control = (folder.path / "control").string();
    std::ofstream(options.line) << "1\n";
    std::atomic<bool> stop{false};
    std::string trouble;
    std::thread bench([&] {
        try {
            run(options, Scenario("at 0 s: key on", "story"), [&] { return stop.load(); });
        } catch (const std::exception& error) {
            trouble = error.what();
        }
    });
    const auto code = [&] { return content(folder.path / "sys/bus/iio/devices/iio:device0/in_voltage0_raw"); };
    // Keyed: about 0.5 V, so below 10000 codes; at rest 28000.
    CHECK(comes_true([&] { return code().size() == 8 && std::stoi(code()) < 10000; }));
    CHECK(std::filesystem::is_socket(options.control));
    std::ofstream(options.line) << "0\n";
    CHECK(comes_true([&] { return code().size() == 8 && std::stoi(code()) > 20000; }));
    CHECK(comes_true([&] { return content(options.report).find("\"RF gone\"") != std::string::npos; }));
    stop = true;
    bench.join();
    CHECK(trouble.empty());
    CHECK_FALSE(std::filesystem::exists(options.control));
    CHECK_FALSE(std::filesystem::exists(folder.path / "sys/bus/iio/devices/iio:device0"));
    CHECK(content(options.report).find("\"line inhibits\"") != std::string::npos);
}

TEST_CASE("it ends by itself after its time or with its scenario") {
    const TemporaryFolder folder;
    RunOptions options;
    options.root = (folder.path / "sys").string();
    options.line = (folder.path / "line").string();
    run(options, Scenario("at 0.02 s: end", "story"), [] { return false; });
    options.for_s = 0.02;
    run(options, {}, [] { return false; });
    CHECK(std::filesystem::exists(folder.path / "sys"));
}

TEST_CASE("the kernel's own folders are refused as a root") {
    const TemporaryFolder folder;
    RunOptions options;
    options.line = (folder.path / "line").string();
    for (const char* root : {"/sys", "/proc", "/dev/shm", "/"}) {
        options.root = root;
        CHECK_THROWS_AS(run(options, {}, [] { return true; }), std::runtime_error);
    }
}

TEST_CASE("simulate: the same table for the same seed, far faster than time") {
    const auto table = [](std::uint64_t seed) {
        std::ostringstream out;
        simulate(seed, 20.0, 60.0, 10.0, Scenario("at 1 s: key on\nat 20 s: fan stop\n", "story"), out);
        return out.str();
    };
    const auto began = std::chrono::steady_clock::now();
    const std::string once = table(1);
    CHECK(std::chrono::steady_clock::now() - began < std::chrono::seconds(30));
    CHECK(once == table(1));
    CHECK(once.find("t,forward_w,") == 0);
    CHECK(std::count(once.begin(), once.end(), '\n') == 8);
    CHECK(once.find("\n60,93.149,") != std::string::npos);
}
