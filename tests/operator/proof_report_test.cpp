// tools/dekeyctl/prove/proof_report.cpp
#include "dekeyctl/prove/proof_report.hpp"

#include <doctest/doctest.h>

#include <nlohmann/json.hpp>

using namespace dekeyd::ctl;

namespace {

ProofReport report() {
    ProofReport r;
    r.amplifier = "hilltop-23cm";
    r.name = "Hill-top repeater amplifier";
    r.version = "0.1.0";
    r.line = "file line";
    r.began = "2026-11-25T14:00:00.000Z";
    r.ended = "2026-11-25T14:02:00.000Z";
    r.line_passed = r.contact_confirmed = r.passed = true;
    r.line_on_s = 0.0011;
    r.line_off_s = 0.0012;
    r.limits = {
        {.id = "vswr", .name = "VSWR too high", .result = ProofRow::Result::passed, .delay_s = 0.031, .most_s = 0.063}};
    return r;
}

bool has(const std::string& text, std::string_view part) {
    return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("a limit later than promised has failed, unless the slack allows for it") {
    const ProofRow passed{.id = "a", .name = "A", .result = ProofRow::Result::passed, .delay_s = 0.2, .most_s = 0.063};
    CHECK(with_verdict(passed, 0.1).result == ProofRow::Result::failed);
    CHECK(with_verdict(passed, 0.2).result == ProofRow::Result::passed);
    ProofRow failed = passed;
    failed.result = ProofRow::Result::failed;
    CHECK(with_verdict(failed, 10.0).result == ProofRow::Result::failed);
    ProofRow open = passed;
    open.most_s.reset();
    CHECK(with_verdict(open, 0.0).result == ProofRow::Result::passed);
}

TEST_CASE("the report says for each what was seen, and never 'passed' for what wasn't") {
    ProofReport r = report();
    std::string text = to_text(r);
    CHECK(has(text, "\nPASSED\n"));
    CHECK(has(text, "pass        VSWR too high                   at inhibit after 31.0 ms (at most 63.0 ms)"));
    CHECK(has(text, "pass        Contact                         seen by the operator"));
    CHECK(has(text, "not measured since"));
    r.passed = r.contact_confirmed = false;
    r.words = "the line or its contact";
    r.release_s = 0.058;
    r.limits[0].result = ProofRow::Result::failed;
    r.limits[0].words = "the limit didn't trip";
    text = to_text(r);
    CHECK(has(text, "\nNOT PASSED: the line or its contact\n"));
    CHECK(has(text, "FAIL        Contact                         not confirmed"));
    CHECK(has(text, "FAIL        VSWR too high"));
    CHECK(has(text, "Release time at the last de-key under RF: 58.0 ms."));
    const auto json = to_json(r);
    CHECK(json["passed"] == false);
    CHECK(json["limits"][0]["result"] == "fail");
    CHECK(json["contact"]["confirmed"] == false);
    CHECK(json["release_s"] == 0.058);
    CHECK(to_json(report())["line_test"]["on_s"] == 0.0011);
}
