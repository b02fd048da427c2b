// A power sensor's way from the detector's volts to the main line.
#include <algorithm>
#include <cmath>

#include "core/rf.hpp"
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {
namespace {

std::optional<CalibrationPoint> read_point(const Node& item, Place list_place, const std::string& path,
                                           bool calibration, Report& report) {
    Section section{&item, item.place.line == 0 ? list_place : item.place, path, report};
    const auto dbm = section.quantity("at", Dimension::level, Need::required);
    const auto volts = section.quantity("volts", Dimension::voltage, Need::required);
    CalibrationPoint point{.volts = volts.value_or(0.0), .dbm = dbm.value_or(0.0)};
    if (calibration) {
        point.doubt_db = section.quantity("within", Dimension::ratio_db, Need::optional, Sign::not_negative)
                             .value_or(point.doubt_db);
        point.taken = section.text("taken", Need::optional).value_or("");
    }
    section.finish();
    if (!dbm || !volts) return std::nullopt;
    return point;
}

}  // namespace

std::optional<core::TableDetector> read_table(Section& detector, Report& report, std::vector<CalibrationPoint>* more) {
    const Node* list = detector.list("table", Need::required);
    if (list == nullptr) return std::nullopt;
    core::TableDetector table;
    bool complete = true;
    const std::string path = detector.path_of("table");
    constexpr std::size_t most_points = 200;
    const std::size_t fewest = more != nullptr ? 1 : 2;
    if (list->items.size() < fewest || list->items.size() > most_points) {
        report.fault(list->place, path, fmt::format("a table of {} points", list->items.size()),
                     fmt::format("{} to {} points such as '- {{at: -40 dBm, volts: 1.454 V}}'", fewest, most_points));
        return std::nullopt;
    }
    for (std::size_t i = 0; i < list->items.size(); ++i) {
        const auto point =
            read_point(list->items[i], list->place, fmt::format("{}[{}]", path, i), more != nullptr, report);
        if (!point) {
            complete = false;
            continue;
        }
        table.points.push_back({.volts = point->volts, .dbm = point->dbm});
        if (more != nullptr) more->push_back(*point);
    }
    if (!complete) return std::nullopt;
    const bool rising = table.points.size() > 1 && table.points[1].volts > table.points[0].volts;
    for (std::size_t i = 1; i < table.points.size(); ++i) {
        const core::TablePoint& before = table.points[i - 1];
        const core::TablePoint& point = table.points[i];
        const bool level_ok = point.dbm > before.dbm;
        const bool volts_ok = rising ? point.volts > before.volts : point.volts < before.volts;
        if (!level_ok)
            report.fault(list->items[i].place, fmt::format("{}[{}].at", path, i),
                         fmt::format("{} does not lie above the {} before it", show(point.dbm, core::Unit::dbm),
                                     show(before.dbm, core::Unit::dbm)),
                         "the points in rising order of dBm");
        if (level_ok && !volts_ok)
            report.fault(
                list->items[i].place, fmt::format("{}[{}].volts", path, i),
                fmt::format("{} turns back: a voltage would mean two powers", show(point.volts, core::Unit::volt)),
                rising ? "volts that rise from point to point" : "volts that fall from point to point");
        complete = complete && level_ok && volts_ok;
    }
    if (!complete) return std::nullopt;
    return table;
}

namespace {

std::optional<core::Detector> read_law(Section& detector, Report& report) {
    const bool log = detector.has("slope") || detector.has("intercept");
    const bool table = detector.has("table");
    const bool square = detector.has("square_law");
    if (static_cast<int>(log) + static_cast<int>(table) + static_cast<int>(square) != 1) {
        if (detector.present())
            report.fault(detector.place(), detector.path(),
                         log || table || square ? "more than one description of the detector"
                                                : "nothing says how volts become power",
                         "exactly one of: 'slope' with 'intercept', 'table', 'square_law'");
        for (const std::string_view key : {"slope", "intercept", "table", "square_law"}) detector.allow(key);
        return std::nullopt;
    }
    if (table) {
        auto points = read_table(detector, report);
        if (!points) return std::nullopt;
        return core::Detector{std::move(*points)};
    }
    if (square) {
        const auto sensitivity =
            detector.quantity("square_law", Dimension::volts_per_watt, Need::required, Sign::positive);
        if (!sensitivity) return std::nullopt;
        return core::Detector{core::SquareLawDetector{.volts_per_watt = *sensitivity}};
    }
    const auto slope = detector.quantity("slope", Dimension::volts_per_db, Need::required);
    const auto intercept = detector.quantity("intercept", Dimension::level, Need::required);
    if (!slope || !intercept) return std::nullopt;
    return core::Detector{core::LogDetector{.slope_v_per_db = *slope, .intercept_dbm = *intercept}};
}

void read_uncertainty(Section& sensor, core::PowerChain& chain) {
    Section section = sensor.section("uncertainty", Need::optional);
    const auto term = [&](std::string_view key, double& into) {
        into = section.quantity(key, Dimension::ratio_db, Need::optional, Sign::not_negative).value_or(into);
    };
    term("conformance", chain.conformance_db);
    term("calibration", chain.calibration_db);
    term("coupling", chain.coupling_tolerance_db);
    term("converter", chain.converter_db);
    term("temperature", chain.temperature_db);
    term("mismatch", chain.mismatch_db);
    section.finish();
}

void read_drift(Section& sensor, core::PowerChain& chain, SensorDraft& of) {
    Section section = sensor.section("drift", Need::optional);
    if (!section.present()) return;
    of.drift_sensor = section.scalar("sensor", Need::required).value_or("");
    of.drift_place = section.place_of("sensor");
    chain.temperature_db_per_k =
        section.quantity("coefficient", Dimension::db_per_kelvin, Need::required).value_or(0.0);
    chain.temperature_reference_c =
        section.quantity("reference", Dimension::temperature, Need::optional).value_or(chain.temperature_reference_c);
    section.finish();
}

double line_w(const core::PowerChain& chain, double detector_dbm) {
    return core::watts_from_dbm(detector_dbm + chain.coupling_db + chain.pads_db + chain.cable_db + chain.waveform_db);
}

}  // namespace

double line_floor_w(const core::PowerChain& chain) {
    return line_w(chain, chain.floor_dbm);
}
double line_ceiling_w(const core::PowerChain& chain) {
    return line_w(chain, chain.ceiling_dbm);
}

std::optional<core::PowerChain> read_chain(Section& sensor, Draft& draft, SensorDraft& of) {
    core::PowerChain chain;
    Section detector = sensor.section("detector", Need::required);
    auto law = read_law(detector, draft.report);
    const bool has_ends = law && std::holds_alternative<core::TableDetector>(*law);
    const Need need = has_ends || detector.has("table") ? Need::optional : Need::required;
    auto floor = detector.quantity("floor", Dimension::level, need);
    auto ceiling = detector.quantity("ceiling", Dimension::level, need);
    if (has_ends) {
        const auto& points = std::get<core::TableDetector>(*law).points;
        if (!detector.has("floor")) floor = points.front().dbm;
        if (!detector.has("ceiling")) ceiling = points.back().dbm;
    }
    if (floor && ceiling && !(*floor < *ceiling))
        detector.fault("floor",
                       fmt::format("the floor of {} is not below the ceiling of {}", show(*floor, core::Unit::dbm),
                                   show(*ceiling, core::Unit::dbm)),
                       "the lowest level that the detector can tell, below the highest");
    detector.finish();

    const auto coupling = sensor.quantity("coupling", Dimension::ratio_db, Need::required, Sign::not_negative);
    chain.pads_db = sensor.quantity("pads", Dimension::ratio_db, Need::optional, Sign::not_negative).value_or(0.0);
    chain.cable_db = sensor.quantity("cable", Dimension::ratio_db, Need::optional, Sign::not_negative).value_or(0.0);
    chain.waveform_db = sensor.quantity("waveform", Dimension::ratio_db, Need::optional).value_or(0.0);
    read_drift(sensor, chain, of);
    read_uncertainty(sensor, chain);
    if (!law || !floor || !ceiling || !coupling) {
        sensor.allow("calibration");
        return std::nullopt;
    }
    chain.detector = std::move(*law);
    chain.floor_dbm = *floor;
    chain.ceiling_dbm = *ceiling;
    chain.coupling_db = *coupling;
    read_calibration(sensor, draft, chain);
    return chain;
}

}  // namespace dekeyd::formats
