// What prove does while it waits: against a stand-in for the daemon.
#include <doctest/doctest.h>

#include <sys/wait.h>
#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "core/interlock.hpp"
#include "fake_daemon.hpp"
#include "sample.hpp"

using nlohmann::json;

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
