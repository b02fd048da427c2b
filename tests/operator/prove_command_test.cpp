// What prove does while it waits: against a stand-in for the daemon.
#include <doctest/doctest.h>

#include <sys/wait.h>
#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>

#include "core/interlock.hpp"
#include "fake_daemon.hpp"
#include "sample.hpp"

using nlohmann::json;

namespace {

// What prove says, against a daemon that tells this status and takes every order.
std::string prove_against(const json& status) {
    FakeDaemon daemon{[&](const std::string& request) -> std::vector<std::string> {
        const std::string what = json::parse(request)["ask"];
        if (what == "status") return {json{{"ok", true}, {"status", status}}.dump()};
        return {json{{"ok", true}, {"text", what}, {"proof", {{"line_off_s", 0.01}}}}.dump()};
    }};
    const std::string folder = std::filesystem::path{daemon.path()}.parent_path();
    const std::string command = std::string{DEKEYCTL} + " --run " + folder + " prove --yes --folder " + folder + " >" +
                                folder + "/said 2>&1 </dev/null";
    REQUIRE(std::system(command.c_str()) != -1);  // NOLINT(cert-env33-c): the program under test, with paths of ours
    std::ifstream in{folder + "/said"};
    std::string said{std::istreambuf_iterator<char>{in}, {}};
    std::replace(said.begin(), said.end(), '\n', ' ');
    return said;
}

json held() {
    json status = sample::status();
    status["memory"]["held_locally"] = true;
    status["proof"] = {{"running", true}, {"enable_sense", true}};
    status["causes"] = status["limits"] = json::array();
    return status;
}

}  // namespace

TEST_CASE("what stands in the way of a proof is named before anything is asked") {
    json status = held();
    status["causes"] = {{{"id", "heatsink"},
                         {"name", "Heatsink"},
                         {"kind", "sensor"},
                         {"condition", "bad"},
                         {"active", true},
                         {"latched", false},
                         {"first", false},
                         {"since_s", 3.0},
                         {"hold_off_left_s", 5.0}}};
    const std::string said = prove_against(status);
    CHECK(said.find("what else stands: Heatsink") != std::string::npos);
    CHECK(said.find("PASSED") == std::string::npos);
}

TEST_CASE("a proof says beforehand how many limits it forces and how long that takes") {
    json status = held();
    const json limit{{"id", "vswr"},     {"name", "VSWR"},   {"watch", "vswr"},    {"trips", true},
                     {"provable", true}, {"qualify_s", 0.1}, {"reaction_s", 19.6}, {"hold_off_s", 30.0}};
    json warning = limit;
    warning["trips"] = false;
    json provisional = limit;  // it is forced too, though it rests
    provisional["provisional"] = provisional["rests"] = true;
    status["limits"] = {limit, provisional, warning};
    // Twice a reaction, a hold-off and 0.4 s, and 5 s for the line.
    CHECK(prove_against(status).find("It forces 2 limits and takes about 1 min 45 s") != std::string::npos);
}

TEST_CASE("the line is driven when the supply has fallen, not refused because it needs a while") {
    std::atomic<int> asked{0};
    FakeDaemon daemon{[&](const std::string& request) -> std::vector<std::string> {
        const std::string what = json::parse(request)["ask"];
        json status = sample::status();
        status["memory"]["held_locally"] = true;
        status["proof"] = {{"running", true}, {"enable_sense", true}};
        status["limits"] = status["causes"] = json::array();
        if (what == "status") return {json{{"ok", true}, {"status", status}}.dump()};
        if (what != "prove-line") return {json{{"ok", true}, {"text", what}}.dump()};
        const bool falls = ++asked < 3;
        const auto why = falls ? dekeyd::core::ProofEnd::supplied : dekeyd::core::ProofEnd::passed;
        return {json{{"ok", !falls}, {"text", "the line"}, {"proof", {{"why", dekeyd::core::text(why)}}}}.dump()};
    }};
    const std::string folder = std::filesystem::path{daemon.path()}.parent_path();
    const std::string command =
        std::string{DEKEYCTL} + " --run " + folder + " prove --yes --folder " + folder + " >/dev/null 2>&1 </dev/null";
    const int code = std::system(command.c_str());  // NOLINT(cert-env33-c): the program under test, with paths of ours
    CHECK(WIFEXITED(code));
    CHECK(WEXITSTATUS(code) == 0);
    CHECK(asked.load() == 3);
}
