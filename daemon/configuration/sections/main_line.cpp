// main_line, circulator, heat: what the signal passes on its way out, and what the rest of its power does.
#include <algorithm>
#include <array>

#include "configuration/parts.hpp"
#include "words/nearest.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr std::array part_words{
    Word{"amplifier", MainLinePart::amplifier},
    Word{"circulator", MainLinePart::circulator},
    Word{"low-pass-filter", MainLinePart::low_pass_filter},
    Word{"coupler", MainLinePart::coupler},
    Word{"feeder", MainLinePart::feeder},
    Word{"antenna", MainLinePart::antenna},
};

constexpr std::array main_line_rows{
    KeyRow{.path = "main_line",
           .kind = KeyKind::texts,
           .words = part_words,
           .says = "The order of the parts, from the amplifier to the antenna; orders that make a reading lie are "
                   "refused or named."},
    KeyRow{.path = "circulator",
           .kind = KeyKind::section,
           .says = "A circulator; reflected power ends in its load, where 'main_line' has it before the coupler."},
    KeyRow{.path = "circulator.load_rating",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::positive,
           .need = Need::required,
           .between = fixed(10 * mw, 100 * kw, "no load has it"),
           .says = "The power that the load bears continuously; it becomes a limit where none is written."},
    KeyRow{.path = "circulator.load_time",
           .kind = KeyKind::time,
           .need = Need::required,
           .between = fixed(0.1, 10 * minute, "a load heats within seconds to minutes"),
           .says = "The load's thermal time, over which circulator-load is a mean."},
    KeyRow{.path = "heat",
           .kind = KeyKind::section,
           .says = "For the forecast of the heatsink's temperature, which warns and never trips."},
    KeyRow{.path = "heat.full_fan",
           .kind = KeyKind::quantity,
           .dimension = Dimension::speed,
           .sign = Sign::positive,
           .when = "with a sensor of 'role: fan'",
           .between = fixed(100.0, 50e3, "no fan turns so"),
           .says = "The fan's full speed; of several the fastest one's. The slowest fan counts in the forecast.",
           .into = [](const Given& v) { v.draft.plan().heat.full_fan_rpm = v.number; }},
    KeyRow{.path = "heat.quiescent_power",
           .kind = KeyKind::quantity,
           .dimension = Dimension::power,
           .sign = Sign::not_negative,
           .between = fixed(0.0, 100 * kw, "no amplifier draws it at rest"),
           .usual = "0 W",
           .says = "DC power while permitted, without RF.",
           .into = [](const Given& v) { v.draft.plan().heat.quiescent_w = v.number; }},
    KeyRow{.path = "heat.planned_transmission",
           .kind = KeyKind::time,
           .between = fixed(1.0, 30 * day, "no forecast reaches so far"),
           .says = "The forecast looks to its end.",
           .into = [](const Given& v) { v.draft.plan().heat.planned_transmission = v.time; }},
};

constexpr std::string_view usual_order = "[amplifier, circulator, low-pass-filter, coupler, feeder, antenna]";

std::optional<MainLinePart> part_named(std::string_view word) {
    for (const Word& part : part_words) {
        if (part.text == word) return static_cast<MainLinePart>(part.value);
    }
    return std::nullopt;
}

/// Index of a part in the order; the order's length where it isn't there.
std::size_t place_in(const std::vector<MainLinePart>& order, MainLinePart part) {
    return static_cast<std::size_t>(std::find(order.begin(), order.end(), part) - order.begin());
}

bool has(const std::vector<MainLinePart>& order, MainLinePart part) {
    return place_in(order, part) < order.size();
}

bool before(const std::vector<MainLinePart>& order, MainLinePart first, MainLinePart second) {
    return has(order, first) && has(order, second) && place_in(order, first) < place_in(order, second);
}

std::vector<MainLinePart> read_parts(const Node& list, Report& report) {
    std::vector<MainLinePart> order;
    std::vector<std::string_view> words;
    words.reserve(part_words.size());
    for (const Word& part : part_words) words.push_back(part.text);
    for (std::size_t i = 0; i < list.items.size(); ++i) {
        const Node& item = list.items[i];
        const Place place = item.place.line == 0 ? list.place : item.place;
        const std::string path = fmt::format("main_line[{}]", i);
        const std::string word = item.kind == Node::Kind::scalar ? item.text : "";
        const auto part = part_named(word);
        if (!part) {
            const auto near = nearest(word, words);
            report.fault(
                place, path, fmt::format("'{}' is no part of a main line", word.substr(0, 40)),
                near ? fmt::format("did you mean '{}'?", *near) : fmt::format("one of: {}", fmt::join(words, ", ")));
            continue;
        }
        if (has(order, *part)) {
            report.fault(place, path, fmt::format("'{}' comes twice", word), "each part once");
            continue;
        }
        order.push_back(*part);
    }
    return order;
}

void check_order(const std::vector<MainLinePart>& order, Place place, Draft& draft) {
    using Part = MainLinePart;
    const core::Roles& roles = draft.plan().roles;
    const auto fault = [&](std::string what, std::string expected) {
        draft.report.fault(place, "main_line", std::move(what), std::move(expected));
    };
    if (order.empty() || order.front() != Part::amplifier)
        fault("the amplifier doesn't come first", fmt::format("the order from there on, such as {}", usual_order));
    if (has(order, Part::antenna) && order.back() != Part::antenna)
        fault("something comes after the antenna", "the antenna last");
    if ((roles.forward || roles.reflected) && !has(order, Part::coupler))
        fault("power is measured, and there is no coupler", fmt::format("'coupler' where it stands: {}", usual_order));
    if (roles.reflected && before(order, Part::coupler, Part::circulator))
        fault(
            "the coupler stands between amplifier and circulator: it sees the circulator, never the antenna, so a "
            "lost antenna would read as a good one",
            "the coupler behind the circulator, or no sensor with 'role: reflected'");
    if (before(order, Part::feeder, Part::coupler) && draft.plan().rf.feeder_loss_db > 0.0)
        fault("'feeder_loss' is the loss between coupler and antenna, and here the feeder comes before the coupler",
              "the coupler before the feeder, or no 'feeder_loss'");
    if (before(order, Part::coupler, Part::low_pass_filter))
        draft.report.advise(place, "main_line",
                            "the coupler stands before the low-pass filter: its detectors read the harmonics too, "
                            "which never reach the antenna, and the filter sends them back into the reflected arm");
    if (before(order, Part::coupler, Part::circulator) && !roles.reflected)
        draft.report.advise(place, "main_line",
                            "the coupler stands between amplifier and circulator: nothing here sees the antenna");
}

void read_circulator(Section& top, Draft& draft) {
    Section section = top.section("circulator");
    if (!section.present()) return;
    const auto rating = section.quantity("load_rating");
    const auto time = section.duration("load_time");
    section.finish();
    const auto& order = draft.configuration.main_line;
    if (!has(order, MainLinePart::circulator)) {
        draft.report.fault(section.place(), section.path(), "where the circulator stands is not said",
                           fmt::format("'circulator' in its place: 'main_line: {}'", usual_order));
        return;
    }
    draft.configuration.circulator_rating_w = rating;
    // `load_rating` reads as if it were guarded.
    if (rating && !draft.plan().roles.reflected)
        draft.report.advise(
            section.place_of("load_rating"), section.path_of("load_rating"),
            "nothing guards the load: no sensor has 'role: reflected', so what comes back and burns it is "
            "not seen; expected one behind the circulator, or a thermometer with a limit on the load");
    // Reflected power ends in the load only if the coupler is behind the circulator.
    if (before(order, MainLinePart::circulator, MainLinePart::coupler)) draft.plan().rf.circulator_load_time = time;
}

}  // namespace

std::span<const KeyRow> main_line_keys() {
    return main_line_rows;
}

void read_main_line(Section& top, Draft& draft) {
    if (const Node* list = top.list("main_line")) {
        const std::size_t faults = draft.report.faults().size();
        auto order = read_parts(*list, draft.report);
        if (draft.report.faults().size() == faults) check_order(order, list->place, draft);
        draft.configuration.main_line = std::move(order);
    }
    read_circulator(top, draft);
    if (has(draft.configuration.main_line, MainLinePart::circulator) && !top.has("circulator"))
        draft.report.advise(top.place_of("main_line"), "circulator",
                            "the circulator's load is not described ('circulator: {load_rating: …, load_time: …}'): "
                            "what comes back may burn it unseen");
}

void read_heat(Section& top, Draft& draft) {
    Section section = top.section("heat");
    read_keys(section, draft);
    if (draft.plan().heat.full_fan_rpm && !draft.plan().roles.fan)
        section.fault("full_fan", "no fan is measured", "a sensor with 'role: fan', or the key removed");
    section.finish();
}

}  // namespace dekeyd::formats
