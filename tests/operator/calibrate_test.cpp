#include <doctest/doctest.h>
#include <sys/wait.h>

#include <array>
#include <atomic>
#include <cstdio>
#include <fstream>
#include <memory>
#include <nlohmann/json.hpp>
#include <sstream>

#include "fake_daemon.hpp"
#include "formats/configuration.hpp"
#include "sample.hpp"
#include "temporary_folder.hpp"

namespace {

using namespace dekeyd;

struct Ran {
    int code = -1;
    std::string out;
};

Ran run(const std::string& command) {
    Ran ran;
    std::FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
    REQUIRE(pipe != nullptr);
    std::array<char, 4096> part{};
    while (std::fgets(part.data(), part.size(), pipe) != nullptr) ran.out += part.data();
    ran.code = WEXITSTATUS(::pclose(pipe));
    return ran;
}

/// Shows these powers one after another: twenty readings each, as many as a quiet level takes.
class Showing {
public:
    explicit Showing(std::vector<double> watts, std::string id = "hilltop-23cm")
        : watts_{std::move(watts)}, id_{std::move(id)} {}
    std::vector<std::string> operator()(const std::string&) {
        const std::size_t asked = (*asked_)++;
        const std::size_t level = asked == 0 ? 0 : std::min((asked - 1) / 20, watts_.size() - 1);
        auto status = sample::status();
        status["id"] = id_;
        for (auto& quantity : status["quantities"])
            if (quantity["id"] == "forward") quantity["value"] = watts_[level];
        return {nlohmann::json{{"ok", true}, {"status", status}}.dump()};
    }

private:
    std::vector<double> watts_;
    std::string id_;
    std::shared_ptr<std::atomic<std::size_t>> asked_ = std::make_shared<std::atomic<std::size_t>>(0);
};

struct Bench {
    explicit Bench(Showing showing) : daemon{std::move(showing)} {
        std::ifstream in{DEKEYD_SOURCE_DIR "/config/dekeyd.yaml"};
        std::ostringstream text;
        text << in.rdbuf();
        annotated = text.str();
        std::ofstream{file} << annotated;
    }
    Ran calibrate(const std::string& typed, const std::string& sensor = "forward") {
        return run("printf '" + typed + "' | " DEKEYCTL " calibrate " + sensor + " " + file +
                   " --reference 'Bench meter' --within 0.2 --between 5 --socket " + daemon.path());
    }
    [[nodiscard]] bool written() const { return std::ifstream{folder / "forward.calibration.yaml"}.good(); }

    test::TemporaryFolder folder;
    std::string file = folder / "dekeyd.yaml";
    std::string annotated;
    FakeDaemon daemon;
};

}  // namespace

TEST_CASE("calibrate: three levels become a table that the configuration takes up") {
    Bench bench{Showing{{0.5, 5.0, 50.0}}};
    // The reference shows 0.5 dB (12.2 %) more at each level.
    const Ran ran = bench.calibrate("\\n0.561 W\\n\\n5.61 W\\n\\n56.1 W\\ndone\\n");
    CAPTURE(ran.out);
    CHECK(ran.code == 0);
    CHECK(ran.out.find("20 readings") != std::string::npos);
    CHECK(ran.out.find("Written: ") != std::string::npos);
    REQUIRE(bench.written());
    std::string text = bench.annotated;
    const std::string key = "    # calibration: forward";
    text.replace(text.find(key), key.size(), "    calibration: forward");
    std::ofstream{bench.file} << text;
    const auto loaded = formats::load_configuration_file(bench.file);
    std::string faults;
    for (const auto& fault : loaded.faults) faults += formats::render("dekeyd.yaml", text, fault);
    CAPTURE(faults);
    REQUIRE(loaded.configuration);
    REQUIRE(loaded.configuration->calibrations.size() == 1);
    CHECK(loaded.configuration->calibrations[0].reference == "Bench meter");
    const auto& points = loaded.configuration->calibrations[0].points;
    REQUIRE(points.size() == 3);
    // 5.61 W = 37.49 dBm; less 50.5 dB = -13.01 dBm. Its volts are those of 5 W: -13.51 dBm, 0.8079 V. Computed.
    CHECK(points[1].dbm == doctest::Approx(-13.01).epsilon(0.001));
    CHECK(points[1].volts == doctest::Approx(0.8079).epsilon(0.001));
}

TEST_CASE("calibrate: a bad set is refused with its reason, and nothing is written") {
    {
        Bench bench{Showing{{0.5, 5.0, 50.0}}};
        const Ran ran = bench.calibrate("\\n0.5 W\\ndone\\n");
        CHECK(ran.code == 1);
        CHECK(ran.out.find("Refused: one level says nothing") != std::string::npos);
        CHECK_FALSE(bench.written());
    }
    {
        Bench bench{Showing{{0.5, 5.0, 50.0}}};
        const Ran ran = bench.calibrate("\\n0.5 W\\n\\n20 W\\n\\n50 W\\ndone\\n");
        CAPTURE(ran.out);
        CHECK(ran.code == 1);
        CHECK(ran.out.find("off the line through all") != std::string::npos);
        CHECK_FALSE(bench.written());
    }
    {
        Bench bench{Showing{{2.0, 20.0, 100.0}}};
        const Ran ran = bench.calibrate("\\n2 W\\n\\n20 W\\n\\n100 W\\ndone\\n");
        CAPTURE(ran.out);
        CHECK(ran.code == 1);
        CHECK(ran.out.find("the lowest level, 2 W, is not below the 1 W") != std::string::npos);
        CHECK_FALSE(bench.written());
    }
    {
        Bench bench{Showing{{0.5, 5.0, 50.0}}};
        const Ran ran = bench.calibrate("\\nfifty\\ndone\\n");
        CHECK(ran.out.find("The level is dropped") != std::string::npos);
        CHECK(ran.code == 1);
    }
}

TEST_CASE("calibrate: another amplifier's daemon, an unknown sensor, no power") {
    Bench other{Showing{{5.0}, "elsewhere"}};
    CHECK(other.calibrate("done\\n").code == 1);
    CHECK(other.calibrate("done\\n", "heatsink").out.find("is no sensor of a power") != std::string::npos);
    Bench silent{Showing{{0.0}}};
    const Ran ran = silent.calibrate("\\n\\ndone\\n");
    CHECK(ran.out.find("no power to compare") != std::string::npos);
    CHECK(ran.code == 1);
}
