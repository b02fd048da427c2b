#include "dekeyctl/sheet/sheet.hpp"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "configuration/delay.hpp"
#include "configuration/summary.hpp"
#include "core/limit.hpp"
#include "dekeyctl/sheet/block_drawing.hpp"
#include "dekeyctl/sheet/html.hpp"
#include "dekeyctl/sheet/remedies.hpp"
#include "dekeyctl/sheet/station.hpp"
#include "dekeyctl/sheet/style.hpp"
#include "messages/exposure_json.hpp"
#include "words/event_text.hpp"
#include "words/units.hpp"

namespace dekeyd::ctl::sheet {
namespace {

using core::Unit;
using formats::Configuration;
using formats::show;

/// `dekeyctl` with what it needs to find this station's daemon.
std::string command(const Configuration& configuration, std::string_view words) {
    static const std::string usual = "/run/dekeyd";
    if (configuration.run_directory == usual) return fmt::format("dekeyctl {}", words);
    return fmt::format("dekeyctl --run {} {}", configuration.run_directory, words);
}

void add_head(Html& html, const Configuration& configuration, const Made& made) {
    html.raw("<header>").element("h1", configuration.name);
    std::string what = configuration.id;
    if (configuration.frequency_hz) what += fmt::format(", {:.6g} MHz", *configuration.frequency_hz / 1e6);
    if (configuration.plan.rf.rated_w > 0.0) what += ", rated " + show(configuration.plan.rf.rated_w, Unit::watt);
    html.element("p", what).open("dl", "made");
    const auto fact = [&](std::string_view name, std::string_view value) {
        html.raw("<div>").element("dt", name).element("dd", value).close("div");
    };
    fact("Sheet made", made.date);
    fact("from", made.file);
    fact("by dekeyd", made.version);
    html.close("dl").raw("</header>\n");
    html.element(
        "p",
        "This is a radio station's power amplifier with a small computer (the board) that watches it. The board "
        "runs dekeyd: a program that lets the amplifier transmit only while every reading is good, and takes "
        "that permission away (it inhibits) when a limit is passed, a sensor is lost or the program stops. The "
        "sheet shows the parts, the wires, the limits and what to do when it has inhibited. It was made from "
        "the configuration file alone: after a change of the station or the file, make it anew with 'dekeyctl "
        "sheet'. Its date is the board's own clock's.");
}

void add_cautions(Html& html, const Configuration& configuration) {
    html.open("section", "caution").element("h2", "Before you touch anything").raw("<ul>");
    html.element(
        "li",
        "RF radiation and RF burns: keep away from the antenna and from open feeder ends while it may transmit. "
        "The distances are below.");
    html.element("li",
                 "High voltage and high currents: isolate the amplifier's supply, lock it off, and measure that it is "
                 "dead. Capacitors hold their charge. A hold of dekeyd is no substitute for that.");
    html.element("li", "Heat: the heatsink and the loads stay hot for minutes.");
    html.element("li",
                 "Licensed practice and local codes come first: who may transmit, work on mains wiring or climb a mast "
                 "is for them to say, and not for this sheet. Have such work done by those who may, and never alone.");
    html.element("li",
                 "dekeyd is the last line of protection, never the only one. Protection that must act at once (fuses, "
                 "thermostat, "
                 "lid switch, emergency stop, a circulator's load) stays in hardware.");
    html.close("ul");
    if (configuration.plan.supervision.monitor_only)
        html.element("p", "MONITOR ONLY: here dekeyd shows readings and doesn't protect the amplifier.", "rating");
    if (configuration.line.driver == formats::LineDriver::file)
        html.element("p", "The inhibit line is a file: it drives no output and protects nothing.", "rating");
    html.close("section");

    html.element("h2", "To keep it from transmitting").open("ol");
    const auto step = [&](const std::string& words, const std::string& typed) {
        html.raw("<li>").text(words);
        if (!typed.empty()) html.raw(" ").element("code", typed);
        html.close("li");
    };
    step("At the board, as root or a member of the group dekeyd, type",
         command(configuration, "hold --reason \"who, why\""));
    step("It is held when this says so:", command(configuration, "status"));
    step(
        "Without the board: switch the exciter off, and isolate the amplifier's supply. A board without power inhibits "
        "too, where its line is wired as documented.",
        "");
    step("To end the hold, once no person is at the amplifier, its feeder or its antenna:",
         command(configuration, "release"));
    html.close("ol");
}

void add_drawings(Html& html, const Configuration& configuration, const std::vector<Wire>& wires) {
    html.element("h2", "The station");
    html.element("p",
                 "W1, W2 and so on are wires: each has the same mark at both ends, in the table of wires, and on its "
                 "label.",
                 "note");
    const auto drawing = [&](std::string_view name, const std::string& svg) {
        if (svg.empty()) return;
        html.open("div", "drawing").element("h3", name).raw(svg).close("div");
    };
    drawing("The way of the signal", signal_drawing(configuration, wires));
    drawing("From the couplers to the board", detector_drawing(configuration, wires));
    drawing("The board", board_drawing(configuration, wires));
}

void add_ports(Html& html, const Configuration& configuration) {
    Table table{.columns = {"Port", "At most", "What watches it"}, .rows = {}, .kind = "ports"};
    for (Port& port : ports_of(configuration))
        table.rows.push_back({std::move(port.name), std::move(port.most), std::move(port.guard)});
    html.element("h2", "What each port bears");
    if (!table.rows.empty()) add(html, table);
    html.element("p", "Other ports: the configuration states no maximum. See the parts' own papers.", "note");
}

void add_wires(Html& html, const std::vector<Wire>& wires) {
    Table table{.columns = {"Wire", "Carries", "At the station", "At the board", "Level"}, .rows = {}, .kind = "wires"};
    for (const Wire& wire : wires)
        table.rows.push_back({wire.mark, wire.carries, wire.from,
                              wire.bus.empty() ? wire.board : fmt::format("{}, {}", wire.bus, wire.board), wire.level});
    html.element("h2", "Connectors and wires");
    add(html, table);
}

void add_limits(Html& html, const Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    Table table{.columns = {"Limit", "Trips at", "At worst after", "In words"}, .rows = {}, .kind = "limits"};
    for (const core::LimitPlan& limit : plan.limits) {
        const bool contact =
            limit.watch < plan.channels.size() && plan.channels[limit.watch].kind == core::ChannelKind::contact;
        const std::string level = show(limit.trip, core::describe(plan, limit.watch).unit);
        table.rows.push_back({limit.name.empty() ? limit.id : limit.name,
                              !limit.trips ? "warns only"
                              : contact    ? "its contact"
                                           : (limit.direction == core::Direction::above ? "≥ " : "≤ ") + level,
                              limit.trips ? show(formats::worst_delay(configuration, limit).total()) : "",
                              formats::limit_sentence(configuration, limit)});
    }
    html.element("h2", "Limits and how fast they act");
    if (table.rows.empty())
        html.element("p", "No limit is configured.");
    else
        add(html, table);
    html.element("p",
                 "A sensor that is lost, a program that stops and each built-in check below inhibit as well. The worst "
                 "delay is from the sensor to the line, by the configuration's own figures; the contact and the "
                 "amplifier come on top.",
                 "note");
    if (configuration.accepted.empty()) return;
    html.element("h3", "Accepted by name in the configuration, though unusual").raw("<ul>");
    for (const formats::Accepted& accepted : configuration.accepted)
        html.element("li", fmt::format("{}: {}.", accepted.word, accepted.what));
    html.close("ul");
}

void add_remedies(Html& html, const Configuration& configuration) {
    Table table{.columns = {"Cause", "What to do", "How the inhibit ends"}, .rows = {}, .kind = "remedies"};
    for (Remedy& remedy : remedies_of(configuration))
        table.rows.push_back({std::move(remedy.cause), std::move(remedy.todo), std::move(remedy.end)});
    html.element("h2", "When it has tripped");
    html.raw("<p>")
        .text("Hold it first. ")
        .element("code", command(configuration, "status --all"))
        .text(" names each cause; ");
    html.element("code", "dekeyctl log --captures").text(" shows the seconds around it. ");
    html.element("code", command(configuration, "reset"))
        .text(
            " ends a latch, once its cause is gone; too many "
            "trips lock out, which a reset ends too.");
    html.close("p");
    add(html, table);
}

void add_exposure(Html& html, const Configuration& configuration) {
    if (!configuration.antenna) return;
    const nlohmann::ordered_json exposure = formats::exposure_json(configuration);
    html.element("h2", "How far to stay from the antenna");
    html.element(
        "p",
        fmt::format("At {} forward (the highest that can stand) and up to {:.1f} dB more than its reading says, with "
                    "{:.1f} dB of loss to the antenna, {:.1f} dBi, a duty of {:g} %: EIRP {}.",
                    show(exposure["power_w"].get<double>(), Unit::watt), exposure["uncertainty_db"].get<double>(),
                    exposure["loss_db"].get<double>(), exposure["gain_dbi"].get<double>(),
                    exposure["duty_percent"].get<double>(), show(exposure["eirp_w"].get<double>(), Unit::watt)));
    Table table{.columns = {"For", "Limit", "Stay farther in the beam than", "Averaged over", "Source"},
                .rows = {},
                .kind = {}};
    for (const auto& one : exposure["cases"]) {
        const std::string distance = one["distance_m"].is_number()
                                         ? fmt::format("{:.1f} m", one["distance_m"].get<double>())
                                         : one["where"].get<std::string>();
        const double averaging_s = one["averaging_s"].get<double>();
        table.rows.push_back({one["name"].get<std::string>(), fmt::format("{:.3g} W/m²", one["w_per_m2"].get<double>()),
                              distance, averaging_s > 0.0 ? show(averaging_s, Unit::second) : "",
                              one["edition"].get<std::string>()});
    }
    if (table.rows.empty())
        html.element("p", "No exposure limit is configured, so no distance is worked out: ask before you go near.");
    else
        add(html, table);
    html.raw("<p>").element("strong", exposure["caution"].get<std::string>()).raw(" ");
    html.text(fmt::format("Worked out by {}, with {:g} for the ground's reflection.",
                          exposure["formula"].get<std::string>(), exposure["ground_factor"].get<double>()));
    html.close("p");
}

void add_labels(Html& html, const Configuration& configuration, const std::vector<Wire>& wires) {
    html.element("h2", "Labels to cut out");
    html.open("div", "labels");
    for (const Port& port : ports_of(configuration))
        html.raw("<div>").element("b", port.name).element("span", port.most, "most").close("div");
    for (const Wire& wire : wires) {
        html.raw("<div>").element("b", fmt::format("{} {}", wire.mark, wire.carries)).text(wire.from).raw("<br/>");
        html.text(wire.bus.empty() ? wire.board : fmt::format("{}, {}", wire.bus, wire.board)).close("div");
    }
    html.raw("<div>").element("b", configuration.name).text("Hold before any work: ");
    html.element("code", command(configuration, "hold")).text("Then isolate, and lock off.").close("div");
    html.close("div");
}

}  // namespace

std::string station_sheet(const Configuration& configuration, const Made& made) {
    const std::vector<Wire> wires = wires_of(configuration);
    Html html;
    html.raw(
        "<!DOCTYPE html>\n<html lang=\"en\" xmlns=\"http://www.w3.org/1999/xhtml\">\n<head>\n"
        "<meta charset=\"utf-8\"/>\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n"
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\"/>\n");
    html.element("title", configuration.name + ": station sheet").open("style").raw(sheet_style).close("style");
    html.raw("</head>\n<body>\n");
    add_head(html, configuration, made);
    add_cautions(html, configuration);
    add_drawings(html, configuration, wires);
    add_ports(html, configuration);
    add_wires(html, wires);
    add_limits(html, configuration);
    add_remedies(html, configuration);
    add_exposure(html, configuration);
    add_labels(html, configuration, wires);
    html.raw("</body>\n</html>\n");
    return html.page();
}

}  // namespace dekeyd::ctl::sheet
