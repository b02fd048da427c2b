// A power sensor's way from the detector's volts to the main line.
#include <algorithm>
#include <array>
#include <cmath>

#include "configuration/parts.hpp"
#include "maths/rf.hpp"

namespace dekeyd::formats {
namespace {

constexpr std::array detector_rows{
    KeyRow{.path = "sensors.*.detector",
           .kind = KeyKind::section,
           .need = Need::required,
           .of = "power",
           .says = "The detector's law, from volts to power: 'slope' with 'intercept', or 'table', or 'square_law', or "
                   "'like'."},
    KeyRow{.path = "sensors.*.detector.like",
           .kind = KeyKind::name,
           .need = Need::required,
           .when = "where nothing else says how volts become power",
           .says = "A power sensor above, whose kind of detector this is: the law, and where they aren't written here "
                   "coupling, pads, cable and valid too, are as there."},
    KeyRow{.path = "sensors.*.detector.slope",
           .kind = KeyKind::quantity,
           .dimension = Dimension::volts_per_db,
           .need = Need::required,
           .when = "with 'intercept'",
           .between = fixed(5e-3, 0.2, "log detectors have 15 to 100 mV/dB", Compared::size),
           .says = "Of a log detector: volts for a decibel; negative where they fall with power."},
    KeyRow{.path = "sensors.*.detector.intercept",
           .kind = KeyKind::quantity,
           .dimension = Dimension::level,
           .need = Need::required,
           .when = "with 'slope'",
           .between = fixed(-150.0, 100.0, "no log detector has it"),
           .says = "Of a log detector: the level at which its line meets zero volts."},
    KeyRow{.path = "sensors.*.detector.table",
           .kind = KeyKind::sections,
           .need = Need::required,
           .when = "where neither a slope nor 'square_law' nor 'like' is given",
           .says = "2 to 200 points in rising order, linear in dB between them."},
    KeyRow{.path = "sensors.*.detector.table.at",
           .kind = KeyKind::quantity,
           .dimension = Dimension::level,
           .need = Need::required,
           .between = fixed(-110.0, 60.0, "no detector is meant for that"),
           .says = "The level at the detector."},
    KeyRow{.path = "sensors.*.detector.table.volts",
           .kind = KeyKind::quantity,
           .dimension = Dimension::voltage,
           .need = Need::required,
           .between = fixed(-100.0, 100.0, "no detector gives it"),
           .says = "The detector's output at that power."},
    KeyRow{.path = "sensors.*.detector.square_law",
           .kind = KeyKind::quantity,
           .dimension = Dimension::volts_per_watt,
           .sign = Sign::positive,
           .need = Need::required,
           .when = "where neither a slope nor 'table' nor 'like' is given",
           .between = fixed(0.1, 1e6, "diodes give 0.1 V to 1 MV for a watt"),
           .says = "Of a diode in its square-law region: volts for a watt."},
    KeyRow{.path = "sensors.*.detector.floor",
           .kind = KeyKind::quantity,
           .dimension = Dimension::level,
           .need = Need::required,
           .when = "without 'table' and 'like'",
           .between = fixed(-110.0, 40.0, "no detector can tell so little from none"),
           .usual_words = "with 'table' its first point",
           .says = "The lowest level that it can tell; below it is no power, and healthy."},
    KeyRow{.path = "sensors.*.detector.ceiling",
           .kind = KeyKind::quantity,
           .dimension = Dimension::level,
           .need = Need::required,
           .when = "without 'table' and 'like'",
           .between = fixed(-60.0, 60.0, "no detector bears or needs that"),
           .usual_words = "with 'table' its last point",
           .says = "The highest level that it can tell."},
    KeyRow{.path = "sensors.*.coupling",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .need = Need::required,
           .when = "without 'detector.like'",
           .of = "power",
           .between = fixed(0.0, 80.0, "no coupler on a main line has it"),
           .says = "From the main line to the coupler's port: 40 dB for a 40 dB coupler."},
    KeyRow{.path = "sensors.*.pads",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .of = "power",
           .between = fixed(0.0, 80.0, "no detector needs so much before it"),
           .usual = "0 dB",
           .says = "Attenuators between the port and the detector."},
    KeyRow{.path = "sensors.*.cable",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .of = "power",
           .between = fixed(0.0, 20.0, "a cable to a detector isn't so long"),
           .usual = "0 dB",
           .says = "Loss of the cable to the detector."},
    KeyRow{.path = "sensors.*.waveform",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .of = "power",
           .between = fixed(0.0, 15.0, "no waveform is read so wrongly", Compared::size),
           .usual_words = "of a log detector what `emission` says; else 0 dB",
           .says = "Added to the reading of a detector that was calibrated on a carrier, for this modulation."},
    KeyRow{.path = "sensors.*.drift",
           .kind = KeyKind::section,
           .of = "power",
           .says = "The detector's drift with temperature, which is taken out."},
    KeyRow{.path = "sensors.*.drift.sensor",
           .kind = KeyKind::name,
           .need = Need::required,
           .says = "The sensor of the detector's temperature."},
    KeyRow{.path = "sensors.*.drift.coefficient",
           .kind = KeyKind::quantity,
           .dimension = Dimension::db_per_kelvin,
           .need = Need::required,
           .between = fixed(0.0, 0.2, "no detector drifts so much", Compared::size),
           .says = "Added for each kelvin above the reference."},
    KeyRow{.path = "sensors.*.drift.reference",
           .kind = KeyKind::quantity,
           .dimension = Dimension::temperature,
           .between = fixed(-40.0, 100.0, "no detector is calibrated there"),
           .usual = "25 degC",
           .says = "The temperature at which nothing is added."},
    KeyRow{.path = "sensors.*.uncertainty",
           .kind = KeyKind::section,
           .of = "power",
           .says = "Half-widths of the uncertain figures, for the interval that is shown with each power."},
    KeyRow{.path = "sensors.*.uncertainty.conformance",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 6.0, "a detector that is so wrong measures nothing"),
           .usual = "1 dB",
           .says = "How far the detector's law may bend and ripple about a straight line."},
    KeyRow{.path = "sensors.*.uncertainty.calibration",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 6.0, "a meter that is so wrong measures nothing"),
           .usual = "0 dB",
           .says = "Of the reference meter; a calibration file says it itself."},
    KeyRow{.path = "sensors.*.uncertainty.coupling",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 6.0, "a coupler so little known couples nothing"),
           .usual = "0.5 dB",
           .says = "Of coupling and pads; a calibration stands for it."},
    KeyRow{.path = "sensors.*.uncertainty.converter",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 6.0, "a converter that is so wrong measures nothing"),
           .usual = "0.1 dB",
           .says = "The converter's step and gain, seen through the slope."},
    KeyRow{.path = "sensors.*.uncertainty.temperature",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 6.0, "a drift that large needs 'drift:'"),
           .usual = "0.3 dB",
           .says = "Drift that no coefficient takes out."},
    KeyRow{.path = "sensors.*.uncertainty.mismatch",
           .kind = KeyKind::quantity,
           .dimension = Dimension::ratio_db,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 6.0, "a detector's input isn't so bad"),
           .usual = "0.2 dB",
           .says = "At the detector's input."},
    KeyRow{.path = "sensors.*.calibration",
           .kind = KeyKind::text,
           .of = "power",
           .says = "A file of `dekeyctl calibrate` beside this one, whose levels correct the law; or pending: it is "
                   "still to be made, and nothing is permitted but while commissioning."},
};

std::optional<CalibrationPoint> read_point(const Node& item, Place list_place, const std::string& path,
                                           bool calibration, Report& report) {
    Section section{&item, item.place.line == 0 ? list_place : item.place, path, report};
    const auto dbm = section.quantity("at");
    const auto volts = section.quantity("volts");
    CalibrationPoint point{.volts = volts.value_or(0.0), .dbm = dbm.value_or(0.0)};
    if (calibration) {
        point.doubt_db = section.quantity_or_usual("within");
        point.taken = section.text("taken").value_or("");
    }
    section.finish();
    if (!dbm || !volts) return std::nullopt;
    return point;
}

}  // namespace

std::span<const KeyRow> detector_keys() {
    return detector_rows;
}

std::optional<core::TableDetector> read_table(Section& detector, Report& report, std::vector<CalibrationPoint>* more) {
    const Node* list = detector.list("table");
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

/// The sensor above that `like` names; what is at fault there is reported there.
std::optional<std::uint16_t> read_like(Section& detector, Draft& draft) {
    const auto id = detector.scalar("like", Need::optional);
    if (!id) return std::nullopt;
    for (std::size_t i = 0; i < draft.sensors.size(); ++i) {
        if (draft.plan().channels[i].id == *id && draft.sensors[i].kind == core::ChannelKind::power)
            return static_cast<std::uint16_t>(i);
    }
    detector.fault("like", fmt::format("'{}' is no power sensor above this one", id->substr(0, 40)),
                   "the id of a sensor above with 'measures: power' and a detector of the same kind");
    return std::nullopt;
}

std::optional<core::Detector> read_law(Section& detector, const core::PowerChain* like, Report& report) {
    const bool log = detector.has("slope") || detector.has("intercept");
    const bool table = detector.has("table");
    const bool square = detector.has("square_law");
    const bool named = detector.has("like");
    if (static_cast<int>(log) + static_cast<int>(table) + static_cast<int>(square) + static_cast<int>(named) != 1) {
        if (detector.present())
            report.fault(detector.place(), detector.path(),
                         log || table || square || named ? "more than one description of the detector"
                                                         : "nothing says how volts become power",
                         "exactly one of: 'slope' with 'intercept', 'table', 'square_law', 'like'");
        for (const std::string_view key : {"slope", "intercept", "table", "square_law"}) detector.allow(key);
        return std::nullopt;
    }
    if (named) return like != nullptr ? std::optional{like->detector} : std::nullopt;
    if (table) {
        auto points = read_table(detector, report);
        if (!points) return std::nullopt;
        return core::Detector{std::move(*points)};
    }
    if (square) {
        const auto sensitivity = detector.quantity("square_law");
        if (!sensitivity) return std::nullopt;
        return core::Detector{core::SquareLawDetector{.volts_per_watt = *sensitivity}};
    }
    const auto slope = detector.quantity("slope");
    const auto intercept = detector.quantity("intercept");
    if (!slope || !intercept) return std::nullopt;
    return core::Detector{core::LogDetector{.slope_v_per_db = *slope, .intercept_dbm = *intercept}};
}

void read_uncertainty(Section& sensor, core::PowerChain& chain) {
    Section section = sensor.section("uncertainty");
    chain.conformance_db = section.quantity_or_usual("conformance");
    chain.calibration_db = section.quantity_or_usual("calibration");
    chain.coupling_tolerance_db = section.quantity_or_usual("coupling");
    chain.converter_db = section.quantity_or_usual("converter");
    chain.temperature_db = section.quantity_or_usual("temperature");
    chain.mismatch_db = section.quantity_or_usual("mismatch");
    section.finish();
}

void read_drift(Section& sensor, core::PowerChain& chain, SensorDraft& of) {
    Section section = sensor.section("drift");
    if (!section.present()) return;
    of.drift_sensor = section.scalar("sensor").value_or("");
    of.drift_place = section.place_of("sensor");
    chain.temperature_db_per_k = section.quantity("coefficient").value_or(0.0);
    chain.temperature_reference_c = section.quantity_or_usual("reference");
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
    Section detector = sensor.section("detector");
    of.like = read_like(detector, draft);
    const core::PowerChain* const like =
        of.like && draft.plan().channels[*of.like].power ? &*draft.plan().channels[*of.like].power : nullptr;
    auto law = read_law(detector, like, draft.report);
    const bool has_ends = !detector.has("like") && law && std::holds_alternative<core::TableDetector>(*law);
    const Need need = has_ends || detector.has("table") || detector.has("like") ? Need::optional : Need::required;
    auto floor = detector.quantity("floor", need);
    auto ceiling = detector.quantity("ceiling", need);
    if (has_ends) {
        const auto& points = std::get<core::TableDetector>(*law).points;
        if (!detector.has("floor")) floor = points.front().dbm;
        if (!detector.has("ceiling")) ceiling = points.back().dbm;
    }
    if (like != nullptr) {
        if (!detector.has("floor")) floor = like->floor_dbm;
        if (!detector.has("ceiling")) ceiling = like->ceiling_dbm;
    }
    if (floor && ceiling && !(*floor < *ceiling))
        detector.fault("floor",
                       fmt::format("the floor of {} is not below the ceiling of {}", show(*floor, core::Unit::dbm),
                                   show(*ceiling, core::Unit::dbm)),
                       "the lowest level that the detector can tell, below the highest");
    detector.finish();

    auto coupling = sensor.quantity("coupling", detector.has("like") ? Need::optional : Need::required);
    if (like != nullptr && !sensor.has("coupling")) coupling = like->coupling_db;
    chain.pads_db = like != nullptr && !sensor.has("pads") ? like->pads_db : sensor.quantity_or_usual("pads");
    chain.cable_db = like != nullptr && !sensor.has("cable") ? like->cable_db : sensor.quantity_or_usual("cable");
    const core::EmissionFacts* const emission = draft.configuration.emission;
    const bool by_log = law && !std::holds_alternative<core::SquareLawDetector>(*law);
    chain.waveform_db = sensor.quantity("waveform").value_or(by_log && emission ? emission->log_low_db : 0.0);
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
