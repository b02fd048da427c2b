#include <doctest/doctest.h>
#include <sys/wait.h>

#include <array>
#include <atomic>
#include <cstdio>
#include <fstream>
#include <iterator>
#include <memory>
#include <nlohmann/json.hpp>
#include <sstream>

#include "configuration/calibration.hpp"
#include "configuration/configuration.hpp"
#include "fake_daemon.hpp"
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
    Ran calibrate(const std::string& typed, const std::string& sensor = "forward", const std::string& more = "") {
        return run("printf '" + typed + "' | " DEKEYCTL " calibrate " + sensor + " " + file +
                   " --reference 'Bench meter' --within 0.2 --between 5 " + more + " --socket " + daemon.path());
    }
    [[nodiscard]] std::string session() const {
        std::ifstream in{folder / "forward.calibration.session.yaml"};
        return {std::istreambuf_iterator<char>{in}, {}};
    }
    /// The file named in the configuration, and that loaded.
    formats::Loaded named() {
        std::string text = annotated;
        const std::string key = "    # calibration: forward";
        text.replace(text.find(key), key.size(), "    calibration: forward");
        std::ofstream{file} << text;
        formats::Loaded loaded = formats::load_configuration_file(file);
        std::string faults;
        for (const auto& fault : loaded.faults) faults += formats::render("dekeyd.yaml", text, fault);
        CAPTURE(faults);
        REQUIRE(loaded.configuration);
        return loaded;
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
    const auto loaded = bench.named();
    REQUIRE(loaded.configuration->calibrations.size() == 1);
    CHECK(loaded.configuration->calibrations[0].reference == "Bench meter");
    const auto& points = loaded.configuration->calibrations[0].points;
    REQUIRE(points.size() == 3);
    // 5.61 W = 37.49 dBm; less 50.5 dB = -13.01 dBm. Its volts are those of 5 W: -13.51 dBm, 0.8079 V. Computed.
    CHECK(points[1].dbm == doctest::Approx(-13.01).epsilon(0.001));
    CHECK(points[1].volts == doctest::Approx(0.8079).epsilon(0.001));
}

TEST_CASE("calibrate: a level that doesn't fit is said, left out, and taken again; the others are kept") {
    Bench bench{Showing{{0.5, 1.5, 5.0, 15.0, 5.0}}};
    const Ran ran = bench.calibrate("\\n0.5 W\\n\\n1.5 W\\n\\n50 W\\n\\n15 W\\ndone\\ndrop 4\\n\\n5 W\\ndone\\n");
    CAPTURE(ran.out);
    CHECK(ran.out.find("Not yet: ") != std::string::npos);
    CHECK(ran.code == 0);
    CHECK(bench.written());
    CHECK(bench.named().configuration->calibrations[0].points.size() == 4);
}

TEST_CASE("calibrate: an unfinished set asks for one level, is kept, and goes on in the next session") {
    Bench bench{Showing{{0.5, 2.0, 50.0}}};
    const Ran first = bench.calibrate("\\n0.5 W\\nfifty\\ndone\\ndone\\n");
    CAPTURE(first.out);
    CHECK(first.code == 1);
    CHECK(first.out.find("Expected Enter, 'done'") != std::string::npos);
    CHECK(first.out.find("Not yet: one level tells the offset alone") != std::string::npos);
    CHECK(first.out.find("the levels are kept in ") != std::string::npos);
    CHECK_FALSE(bench.written());
    CHECK(bench.session().find("  - {at: -23.510 dBm") != std::string::npos);  // 0.5 W = 26.99 dBm, less 50.5 dB

    Bench later{Showing{{50.0}}};
    std::ofstream{later.folder / "forward.calibration.session.yaml"} << bench.session();
    const Ran second = later.calibrate("\\n50 W\\ndone\\n");
    CAPTURE(second.out);
    CHECK(second.code == 0);
    CHECK(second.out.find("1 level of ") != std::string::npos);
    CHECK(later.named().configuration->calibrations[0].points.size() == 2);
    // The trip at 125 W is 4 dB above 50 W.
    CHECK(second.out.find("BEYOND THE CALIBRATION: of the limit 'forward' its trip at 125 W lies 4.0 dB beyond") !=
          std::string::npos);
    CHECK(second.out.find("say '--pad 0dB'") != std::string::npos);

    Bench anew{Showing{{50.0}}};
    std::ofstream{anew.folder / "forward.calibration.session.yaml"} << bench.session();
    CHECK(anew.calibrate("\\n50 W\\ndone\\n", "forward", "--new").code == 1);
    std::ofstream{anew.folder / "forward.calibration.session.yaml"} << "calibration: 1\nsensor: drive\n";
    CHECK(anew.calibrate("done\\n").out.find("'--new' begins without the levels in it") != std::string::npos);
}

TEST_CASE("calibrate: levels taken with the detector's pads out stand 10 dB higher at the detector") {
    Bench bench{Showing{{0.5, 5.0}}};
    CHECK(bench.calibrate("\\n0.5 W\\n\\n5 W\\ndone\\n").code == 0);
    // 10 W on the line, with the pads of 10 dB out, show what 100 W show with them.
    Bench reached{Showing{{100.0}}};
    std::ofstream{reached.folder / "forward.calibration.session.yaml"} << bench.session();
    const Ran ran = reached.calibrate("\\n10 W\\ndone\\n", "forward", "--pad 0dB");
    CAPTURE(ran.out);
    CHECK(ran.code == 0);
    CHECK(ran.out.find("dekeyd reads 10 dB too much meanwhile") != std::string::npos);
    const formats::Loaded loaded = reached.named();
    const auto& points = loaded.configuration->calibrations[0].points;
    REQUIRE(points.size() == 3);
    CHECK(points[2].dbm == doctest::Approx(-0.5));  // 100 W = 50 dBm, less 50.5 dB
    CHECK(points[2].doubt_db == 0.3);
    CHECK(reached.calibrate("done\\n", "forward", "--pad 10").code != 0);  // no unit
}

TEST_CASE("calibrate: power that goes midway is said with its cause") {
    const Bench bench{Showing{{0.5}}};
    const FakeDaemon tripping{[](const std::string&) {
        auto status = sample::status();
        status["permit"] = false;
        status["reason"] = "VSWR too high: latched until an operator resets it.";
        for (auto& quantity : status["quantities"])
            if (quantity["id"] == "forward") quantity["health"] = "at the floor";
        return std::vector<std::string>{nlohmann::json{{"ok", true}, {"status", status}}.dump()};
    }};
    const Ran ran = run("printf '\\n' | " DEKEYCTL " calibrate forward " + bench.file +
                        " --reference m --between 5 --socket " + tripping.path());
    CAPTURE(ran.out);
    CHECK(ran.out.find("no power to compare: at the floor; dekeyd inhibits: VSWR too high: latched") !=
          std::string::npos);
}

TEST_CASE("calibrate: what is still read after a trip is said to be no level, and Enter alone drops it") {
    const Bench bench{Showing{{0.5}}};
    const FakeDaemon tripping{[](const std::string&) {
        auto status = sample::status();
        status["permit"] = false;
        status["reason"] = "Forward power was at or above 37.5 W.";
        for (auto& quantity : status["quantities"])
            if (quantity["id"] == "forward") quantity["value"] = 0.004;  // leaks through the open contact
        return std::vector<std::string>{nlohmann::json{{"ok", true}, {"status", status}}.dump()};
    }};
    const Ran ran = run("printf '\\n\\ndone\\ndone\\n' | " DEKEYCTL " calibrate forward " + bench.file +
                        " --reference m --between 5 --socket " + tripping.path());
    CAPTURE(ran.out);
    CHECK(ran.out.find(
              "dekeyd inhibits: Forward power was at or above 37.5 W. Unless a signal source feeds the line, this "
              "is no level: Enter alone drops it.") != std::string::npos);
    CHECK(ran.out.find("The level is dropped.") != std::string::npos);
    CHECK(bench.session().empty());
    CHECK(Bench{Showing{{0.5}}}.calibrate("\\n\\ndone\\ndone\\n").out.find("dekeyd inhibits") == std::string::npos);
}

TEST_CASE("calibrate: readings by another law than the file's aren't turned back into volts") {
    const Bench bench{Showing{{0.5}}};
    const auto loaded = formats::load_configuration_file(bench.file);
    REQUIRE(loaded.configuration);
    const auto ran = [&](const std::string& law) {
        const FakeDaemon daemon{[law](const std::string&) {
            auto status = sample::status();
            status["laws"] = {{"forward", law}};
            return std::vector<std::string>{nlohmann::json{{"ok", true}, {"status", status}}.dump()};
        }};
        return run("printf '' | " DEKEYCTL " calibrate forward " + bench.file + " --reference m --socket " +
                   daemon.path())
            .out;
    };
    CHECK(ran("00000000").find("restart dekeyd first") != std::string::npos);
    CHECK(ran(formats::chain_id(*loaded.configuration->plan.channels[2].power)).find("Level 1") != std::string::npos);
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
