// The report of a proof test: for people, and the same as JSON.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <vector>

namespace dekeyd::ctl {

struct ProofRow {
    enum class Result { passed, failed, not_forced };
    std::string id{}, name{};
    Result result = Result::failed;
    std::optional<double> delay_s{};  ///< from the injection to the line read back at inhibit
    std::optional<double> most_s{};   ///< what the configuration promises at worst
    std::string words{};              ///< why it failed or was not forced
};

struct ProofReport {
    std::string amplifier{}, name{}, version{}, line{}, began{}, ended{}, note{};
    bool line_passed = false;
    std::optional<double> line_on_s{}, line_off_s{}, contact_on_s{}, contact_off_s{};
    bool contact_measured = false;   ///< by the sense input
    bool contact_confirmed = false;  ///< by the operator
    std::string line_words{};        ///< why it failed
    std::vector<ProofRow> limits{};
    std::optional<double> release_s{};  ///< the last that was measured
    std::vector<std::string> notes{};   ///< what the sensors have done
    bool passed = false;                ///< the daemon took it as passed
    std::string words{};                ///< why not
};

/// Passed within what the configuration promises, and `slack_s` more; no promise: passed.
ProofRow with_verdict(ProofRow row, double slack_s);

std::string to_text(const ProofReport& report);
nlohmann::ordered_json to_json(const ProofReport& report);
/// One row as it is shown while the test runs.
std::string row_words(const ProofRow& row);

}  // namespace dekeyd::ctl
