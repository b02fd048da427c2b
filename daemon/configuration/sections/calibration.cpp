// calibration: the levels that `dekeyctl calibrate` has written for one detector, in a file beside the configuration.
#include <algorithm>
#include <array>
#include <cmath>
#include <fstream>
#include <iterator>

#include "configuration/parts.hpp"
#include "maths/correction.hpp"
#include "maths/rf.hpp"

namespace dekeyd::formats {
namespace {

constexpr std::array calibration_versions{Word{"1", 1}};

constexpr std::array calibration_rows{
    KeyRow{.path = "calibration",
           .kind = KeyKind::word,
           .need = Need::required,
           .words = calibration_versions,
           .says = "The version of this format."},
    KeyRow{.path = "sensor", .kind = KeyKind::id, .need = Need::required, .says = "The sensor that was compared."},
    KeyRow{.path = "date", .kind = KeyKind::text, .need = Need::required, .says = "When."},
    KeyRow{.path = "reference", .kind = KeyKind::text, .need = Need::required, .says = "With what."},
    KeyRow{.path = "reference_uncertainty",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .need = Need::required,
           .says = "The reference's uncertainty, k = 2."},
    KeyRow{.path = "residual",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .need = Need::required,
           .says = "The error that a straight law would have left."},
    KeyRow{.path = "temperature",
           .kind = KeyKind::quantity,
           .dimension = Dimension::temperature,
           .says = "The detector's temperature."},
    KeyRow{.path = "table", .kind = KeyKind::sections, .need = Need::required, .says = "The levels."},
    KeyRow{.path = "table.at",
           .kind = KeyKind::quantity,
           .dimension = Dimension::level,
           .need = Need::required,
           .says = "The level at the detector."},
    KeyRow{.path = "table.volts",
           .kind = KeyKind::quantity,
           .dimension = Dimension::voltage,
           .need = Need::required,
           .says = "The detector's output."},
    KeyRow{.path = "table.within",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .usual = "0.05 dB",
           .says = "Its doubt beside the reference's, k = 2."},
    KeyRow{.path = "table.taken", .kind = KeyKind::text, .says = "When it was taken."},
};

constexpr std::size_t largest_file = 64 * 1024;

/// Empty where it can't be read.
std::optional<std::string> contents(const std::string& path) {
    std::ifstream in{path, std::ios::binary};
    if (!in) return std::nullopt;
    std::string text(largest_file + 1, '\0');
    in.read(text.data(), static_cast<std::streamsize>(text.size()));
    if (in.bad()) return std::nullopt;
    text.resize(static_cast<std::size_t>(in.gcount()));
    return text;
}

bool plain_name(std::string_view name) {
    return !name.empty() && name.front() != '.' && name.find('/') == std::string_view::npos;
}

}  // namespace

std::span<const KeyRow> calibration_file_keys() {
    return calibration_rows;
}

CalibrationText read_calibration_text(std::string_view text) {
    CalibrationText result;
    if (text.size() > largest_file) {
        result.faults.push_back({.line = 1,
                                 .column = 1,
                                 .key = {},
                                 .what = "a file of more than 64 KiB",
                                 .expected = "what 'dekeyctl calibrate' writes"});
        return result;
    }
    Tree tree = read_tree(text);
    Report report;
    report.keys = calibration_rows;
    report.faults() = std::move(tree.faults);
    Calibration& calibration = result.calibration;
    if (tree.root) {
        Section top{&*tree.root, {1, 1}, "", report};
        top.whole("calibration", 1, 1, Need::required);
        calibration.sensor = top.id("sensor").value_or("");
        calibration.date = top.text("date").value_or("");
        calibration.reference = top.text("reference").value_or("");
        calibration.reference_db = top.quantity("reference_uncertainty").value_or(0.0);
        calibration.residual_db = top.quantity("residual").value_or(0.0);
        calibration.temperature_c = top.quantity("temperature");
        if (!read_table(top, report, &calibration.points)) calibration.points.clear();
        top.finish();
    }
    result.faults = std::move(report.faults());
    return result;
}

void read_calibration(Section& sensor, Draft& draft, core::PowerChain& chain) {
    if (!sensor.has("calibration")) {
        sensor.allow("calibration");
        return;
    }
    const auto name = sensor.text("calibration");
    if (!name) return;
    if (*name == calibration_pending) {
        chain.calibration_pending = true;
        return;
    }
    if (!plain_name(*name)) {
        sensor.fault("calibration", fmt::format("'{}' is no plain file name", name->substr(0, 60)),
                     "the name of a file beside the configuration, such as 'forward.calibration.yaml', or 'pending'");
        return;
    }
    const std::string path = draft.folder.empty() ? *name : fmt::format("{}/{}", draft.folder, *name);
    const auto text = contents(path);
    if (!text) {
        sensor.fault("calibration", fmt::format("'{}' can't be read", path),
                     "the file that 'dekeyctl calibrate' wrote beside the configuration, or the key removed");
        return;
    }
    CalibrationText read = read_calibration_text(*text);
    for (const Fault& fault : read.faults)
        sensor.fault(
            "calibration",
            fmt::format("{}:{}: {}{}{}", *name, fault.line, fault.key, fault.key.empty() ? "" : ": ", fault.what),
            fault.expected);
    if (!read.faults.empty()) return;
    Calibration& calibration = read.calibration;
    const std::string id = sensor.path().substr(sensor.path().rfind('.') + 1);
    if (calibration.sensor != id) {
        sensor.fault("calibration", fmt::format("'{}' was taken with the sensor '{}'", *name, calibration.sensor),
                     "the file of this sensor: another detector has another law");
        return;
    }
    if (!(calibration.points.front().dbm < chain.ceiling_dbm)) {
        sensor.fault("calibration",
                     fmt::format("its lowest point, {}, is not below the detector's ceiling of {}",
                                 show(calibration.points.front().dbm, core::Unit::dbm),
                                 show(chain.ceiling_dbm, core::Unit::dbm)),
                     "points within the detector's range");
        return;
    }
    calibration.file = *name;
    std::vector<core::ComparedLevel> levels;
    for (const CalibrationPoint& point : calibration.points)
        levels.push_back({.volts = point.volts, .dbm = point.dbm, .doubt_db = point.doubt_db});
    chain.correction = core::correction_from(chain.detector, levels, chain.conformance_db);
    if (!chain.correction) {
        sensor.fault(
            "calibration",
            fmt::format("'{}' contradicts the law under 'detector:': a level of more power shows less by it", *name),
            "the slope's sign as the data sheet has it, or the levels taken again");
        return;
    }
    // The whole chain was compared at once, so what isn't known of coupling and pads is in the levels.
    const Section stated = sensor.section("uncertainty");
    if (!stated.has("coupling")) chain.coupling_tolerance_db = 0.0;
    if (!stated.has("calibration")) chain.calibration_db = calibration.reference_db;
    draft.configuration.calibrations.push_back(std::move(calibration));
}

}  // namespace dekeyd::formats
