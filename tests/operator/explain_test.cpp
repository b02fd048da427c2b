#include "dekeyctl/explain/explain.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>

#include "temporary_folder.hpp"

namespace {

using namespace dekeyd;

const std::string annotated = DEKEYD_SOURCE_DIR "/config/dekeyd.yaml";

std::string annotated_text() {
    std::ifstream in{annotated};
    return {std::istreambuf_iterator<char>{in}, {}};
}

formats::Configuration configuration(const std::string& text = annotated_text()) {
    formats::Loaded loaded = formats::load_configuration(text);
    std::string faults;
    for (const auto& fault : loaded.faults) faults += formats::render("dekeyd.yaml", text, fault);
    CAPTURE(faults);
    REQUIRE(loaded.configuration);
    return std::move(*loaded.configuration);
}

std::string with(std::string_view from, std::string_view to) {
    std::string text = annotated_text();
    const std::size_t at = text.find(from);
    CAPTURE(from);
    REQUIRE(at != std::string::npos);
    return text.replace(at, from.size(), to);
}

/// All rows as one text, runs of blanks as one.
std::string joined(const std::vector<std::string>& rows) {
    std::string all;
    for (const std::string& row : rows) all += row + "\n";
    all.erase(std::unique(all.begin(), all.end(), [](char a, char b) { return (a == ' ' || a == '\n') && b == ' '; }),
              all.end());
    std::replace(all.begin(), all.end(), '\n', ' ');
    return all;
}

bool says(const std::string& text, std::string_view words) {
    if (text.find(words) != std::string::npos) return true;
    MESSAGE(text);
    return false;
}

}  // namespace

TEST_CASE("explain: the chain term by term, to the rated power") {
    const std::string text = joined(ctl::explain(configuration()));
    // 120 W = 50.79 dBm; less 50.5 dB = 0.29 dBm; (0.29 - 19.6) * -24.4 mV/dB = 0.471 V, computed by hand.
    CHECK(says(text, "at the converter 0.471 V"));
    CHECK(says(text, "the detector makes of it 0.29 dBm"));
    CHECK(says(text, "+ coupling 40.00 dB"));
    CHECK(says(text, "+ pads 10.00 dB"));
    CHECK(says(text, "= power on the line 50.50 dB 50.79 dBm = 120 W"));
    // Limits +-a count 2a/sqrt(3) at k = 2 and an unknown phase sqrt(2) a: 1.155, 0.577, 0.346, 0.115, 0.283 together
    // 1.37 dB, which is +37 %. Computed by hand from conformance 1, coupling 0.5, temperature 0.3, converter 0.1,
    // mismatch 0.2 dB.
    CHECK(says(text, "conformance ± 1.00 dB ± 1.15 dB"));
    CHECK(says(text, "all together ± 1.37 dB -27 % +37 %"));
    CHECK(says(text, "at the very worst ± 2.10 dB -38 % +62 %"));
    CHECK(says(text, "120 W shown is 120 W ± 37 %"));
    // Floor -50 dBm + 50.5 dB = 0.5 dBm; ceiling 5 + 50.5 = 55.5 dBm = 354.8 W.
    CHECK(says(text, "Smallest power that it can measure: 1.122 mW (0.5 dBm on the line"));
    CHECK(says(text, "Largest: 354.8 W (55.5 dBm on the line, 5.0 dBm at the detector, 0.356 V)"));
}

TEST_CASE("explain: VSWR with its interval, and the lost antenna") {
    const std::string text = joined(ctl::explain(configuration()));
    CHECK(says(text, "directivity 30 dB"));
    CHECK(says(text, "A perfect load may read up to VSWR 1.065"));   // trade facts, computed there
    CHECK(says(text, "reads VSWR 10.89, a return loss of 1.6 dB"));  // 10^(-0.08) = 0.832, computed
    CHECK(says(text, "The limit 'vswr' trips when the reading is at or above 2"));
    const std::string blind = joined(ctl::explain(configuration(with("directivity: 30 dB", "# no directivity"))));
    CHECK(says(blind, "without directivity nothing can be said"));
    CHECK(says(blind, "to no end"));
}

TEST_CASE("explain: exposure at the trip power, with its caution") {
    const std::string text = joined(ctl::explain(configuration()));
    CHECK(says(text, "125 W at the amplifier (the trip)"));
    CHECK(says(text, "general public 6.3 W/m²"));  // 1260/200
    CHECK(says(text, "ICNIRP 2020"));
    CHECK(says(text, "no measurement and no permission"));
    const std::string silent = joined(ctl::explain(configuration(with("exposure: {rule", "# {rule"))));
    CHECK(says(silent, "no distance is worked out"));
}

TEST_CASE("plan: what the wanted power needs, what may be exceeded and the pad that prevents it") {
    const std::string text = joined(ctl::plan_levels(configuration()));
    CHECK(says(text, "level budget for 94 W forward, nothing keyed"));
    CHECK(says(text, "it can be reached"));
    // Exciter +10 dBm - 1.5 + 30 dB, past the driver's 1 dB point near its saturation, is above 2.5 W (34 dBm).
    CHECK(says(text, "DANGER: with the exciter at its most, Amplifier gets"));
    CHECK(says(text, "right behind the exciter prevents that; 94 W can still be reached with it"));
    CHECK(says(text, "Head-room of the amplifier"));
    CHECK(says(text, "At 46 % efficiency it takes 204 W of DC and makes 112 W of heat"));
    CHECK(says(text, "at the wanted power"));
    CHECK(says(text, "EIRP"));
}

TEST_CASE("plan: too weak, too strong, saturated") {
    CHECK(says(joined(ctl::plan_levels(configuration(with("highest: 10 dBm", "highest: -15 dBm")))), "dB are missing"));
    CHECK(says(joined(ctl::plan_levels(configuration(with("lowest: -20 dBm", "lowest: 9 dBm")))),
               "put a pad of at least"));
    CHECK(says(joined(ctl::plan_levels(configuration(with("wanted_forward: 94 W", "wanted_forward: 300 W")))),
               "more than a stage can give"));
    const std::string safe = joined(ctl::plan_levels(configuration(with("highest: 10 dBm", "highest: 6 dBm"))));
    CHECK(safe.find("DANGER") == std::string::npos);
    CHECK(says(safe, "No stated maximum can be passed, however the exciter is set"));
    // Reassures of what is stated, and of nothing else.
    CHECK(says(safe, "Not stated, and so not judged: the most that may go into Cable, Pad"));
}

TEST_CASE("plan: every stage is judged: an exciter that can pass the rated power, a driver beyond its 1 dB point") {
    // 120 W is 50.8 dBm. With 7.4 dBm from the exciter 35.9 less 0.72 dB leave the driver and 2.35 W the pad, which is
    // within the drive's 2.5 W: the amplifier gives more than it is rated for (by the Rapp model of level_budget_test).
    const formats::Configuration rated = configuration(with("highest: 10 dBm", "highest: 7.0 dBm"));
    const std::string text = joined(ctl::plan_levels(rated));
    CHECK(says(text, "DANGER: with the exciter at its most, Amplifier gives"));
    CHECK(says(text, "and 50.8 dBm (120 W) is what it is rated for; the limit 'forward' trips at 125 W"));
    CHECK(text.find("Amplifier gets") == std::string::npos);
    CHECK(text.find("No stated maximum") == std::string::npos);
    CHECK(says(text, "right behind the exciter prevents that"));
    const auto json = ctl::plan_json(rated);
    CHECK(json["may_exceed"] == true);
    CHECK(json["stages"][3]["may_pass_output"] == true);
    CHECK(json["stages"][3]["may_exceed"] == false);
    const std::string driven =
        joined(ctl::plan_levels(configuration(with("one_db_output: 4 W", "one_db_output: 1.8 W"))));
    CHECK(says(driven, "Driver is 0.8 dB beyond its 1 dB point"));
    CHECK(says(joined(ctl::plan_levels(configuration(with("wanted_forward: 94 W", "wanted_forward: 123 W")))),
               "DANGER: 123 W is more than the rated 120 W"));
}

TEST_CASE("plan: whether the drive is right for what is sent, of each stage; and whether the cooling is enough") {
    const std::string television =
        "emission: {kind: digital-television, modulation: 8psk, roll_off: 0.35, back_off: 4.5 dB}";
    const formats::Configuration planned = configuration(with("emission: {kind: fm}", television));
    const std::string text = joined(ctl::plan_levels(planned));
    // 94 W of 118 W, and of the driver 2.14 W of 4 W: by Rapp's model, p = 2, solved with scipy's brentq.
    CHECK(says(text, "Amplifier: Drive 4.0 dB too high for linear 8PSK: 1.0 dB below the 1 dB point, 4.5 dB advised."));
    CHECK(says(text, "Driver: Drive 1.9 dB too high for linear 8PSK: 2.7 dB below the 1 dB point, 4.5 dB advised."));
    const auto json = ctl::plan_json(planned);
    CHECK(json["stages"][3]["drive"]["verdict"] == "too high");
    CHECK(json["stages"][3]["drive"]["drive_db"].get<double>() == doctest::Approx(3.9885).epsilon(1e-3));
    CHECK(json["stages"][0]["drive"].is_null());
    // FM bears compression: nothing is advised.
    CHECK(joined(ctl::plan_levels(configuration())).find("linear") == std::string::npos);
    CHECK(says(text, "Cooling adequate: settles at"));
    const std::string hot =
        joined(ctl::plan_levels(configuration(with("thermal_resistance: 0.2 K/W", "thermal_resistance: 0.5 K/W"))));
    CHECK(says(hot, "Cooling not adequate: would settle at"));
    CHECK(says(hot, "the power that fits is"));
}

TEST_CASE("no row is wider than a terminal, and none ends in the air") {
    for (const auto& rows : {ctl::explain(configuration()), ctl::plan_levels(configuration())}) {
        REQUIRE_FALSE(rows.empty());
        CHECK_FALSE(rows.back().empty());
        for (const std::string& row : rows) {
            CAPTURE(row);
            CHECK(row.size() < 130);
            CHECK(row.find("nan") == std::string::npos);
            CHECK(row.find("inf") == std::string::npos);
        }
    }
}

TEST_CASE("explain: where a detector was compared, and loudly which trip lies beyond") {
    const test::TemporaryFolder folder;
    std::ofstream{folder / "forward.calibration.yaml"}
        << "calibration: 1\nsensor: forward\ndate: 2026-03-01T10:00:00Z\nreference: Meter\n"
           "reference_uncertainty: 0.2 dB\nresidual: 0.1 dB\ntable:\n"
           "  - {at: -30.5 dBm, volts: 1.222 V}\n  - {at: -10.5 dBm, volts: 0.734 V}\n";  // 0.1 W and 10 W
    std::ofstream{folder / "dekeyd.yaml"} << with("    # calibration: forward.", "    calibration: forward.");
    const auto loaded = formats::load_configuration_file(folder / "dekeyd.yaml");
    REQUIRE(loaded.configuration);
    const std::string text = joined(ctl::explain(*loaded.configuration, 200));
    CHECK(says(text, "Compared at 2 levels from 100 mW to 10 W"));
    // 125 W is 10.97 dB above 10 W.
    CHECK(says(text, "BEYOND THE CALIBRATION: of the limit 'forward' its trip at 125 W lies 11.0 dB beyond"));
    const auto json = ctl::explain_json(*loaded.configuration);
    REQUIRE(json["beyond_calibration"].size() == 1);
    CHECK(json["beyond_calibration"][0]["beyond_db"].get<double>() == doctest::Approx(10.97).epsilon(0.001));
    CHECK(ctl::explain_json(configuration())["beyond_calibration"].empty());
    // The distance is worked out with the doubt at the trip: wider than by the data sheet.
    CHECK(json["exposure"]["eirp_w"].get<double>() >
          ctl::explain_json(configuration())["exposure"]["eirp_w"].get<double>());
}
