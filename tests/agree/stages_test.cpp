// A driver's names: each that shows its sensors or its limits says whose they are, and without stages none says
// anything else than before.
#include <algorithm>
#include <nlohmann/json.hpp>

#include "configuration/summary.hpp"
#include "dekeyctl/daily/limit_lines.hpp"
#include "dekeyctl/lines.hpp"
#include "dekeyctl/sheet/sheet.hpp"
#include "dekeyctl/sheet/station.hpp"
#include "dekeyctl/status.hpp"
#include "messages/overview.hpp"
#include "messages/snapshot_json.hpp"
#include "station.hpp"
#include "telemetry/published/discovery.hpp"
#include "telemetry/published/homie.hpp"
#include "words/event_text.hpp"
#include "words/reason.hpp"

namespace {

using namespace agree;

/// The annotated file with what its comments offer for a driver, and a limit on its temperature.
std::string driven_text() {
    std::string text = changed(annotated_text(), "# stages: {", "stages: {");
    text = changed(text, "  # driver-heatsink:\n  #   {", "  driver-heatsink:\n    {");
    return changed(text, "limits:\n",
                   "limits:\n  driver-heatsink: {name: Heatsink too hot, watch: driver-heatsink, above: 60 degC, "
                   "clear: 50 degC, qualify: 1 s, hold_off: 30 s, rearm: automatic}\n");
}

const formats::Configuration& driven() {
    static const formats::Configuration configuration = loaded(driven_text());
    return configuration;
}

std::size_t limit_index(const core::Plan& plan, std::string_view id) {
    for (std::size_t i = 0; i < plan.limits.size(); ++i)
        if (plan.limits[i].id == id) return i;
    FAIL("no " << std::string{id});
    return 0;
}

/// Transmitting; then the driver alone is too hot.
Station tripped() {
    Station station{driven()};
    station.values = {{"heatsink", 40.0},    {"ambient", 22.0}, {"forward", 0.001},
                      {"reflected", 0.0001}, {"drive", 0.0001}, {"supply", 28.0},
                      {"current", 1.6},      {"fan", 2400.0},   {"driver-heatsink", 40.0}};
    station.run(10s);
    REQUIRE(station.snapshot().permit);
    station.values["forward"] = 80.0;
    station.values["reflected"] = 0.1;
    station.values["drive"] = 1.2;
    station.values["current"] = 8.0;
    station.run(1s);
    REQUIRE(station.snapshot().permit);
    for (double c = 40.0; c < 61.0; c += 4.0) {
        station.values["driver-heatsink"] = c + 4.0;
        for (int step = 0; step < 50; ++step) {
            station.step();
            if (!station.snapshot().permit) station.values["forward"] = station.values["reflected"] = 0.0001;
        }
    }
    station.run(2s);
    return station;
}

bool says(std::string_view text, std::string_view words) {
    return text.find(words) != std::string_view::npos;
}

const nlohmann::json& by_id(const nlohmann::json& list, std::string_view id) {
    for (const auto& one : list)
        if (one["id"] == id) return one;
    FAIL("no " << std::string{id});
    return list;
}

constexpr std::string_view quantity_name = "Driver: Heatsink", limit_name = "Driver: Heatsink too hot";

}  // namespace

TEST_CASE("a driver's temperature alone trips, and every consumer names the driver") {
    Station station = tripped();
    const core::Plan& plan = driven().plan;
    const core::Snapshot& snapshot = station.snapshot();
    REQUIRE_FALSE(snapshot.permit);
    const std::size_t limit = limit_index(plan, "driver-heatsink");
    for (std::size_t i = 0; i < snapshot.causes.size(); ++i) CHECK(snapshot.causes[i].active == (i == limit));
    const auto source = static_cast<core::SourceIndex>(limit);

    CHECK(says(formats::reason(plan, snapshot), quantity_name));
    CHECK(says(formats::cause_of(plan, snapshot, source).text, quantity_name));
    core::Event event;
    event.kind = core::EventKind::tripped;
    event.source = source;
    CHECK(says(formats::sentence(plan, event), quantity_name));
    CHECK(says(formats::event_json(plan, event, {}).dump(), quantity_name));

    const nlohmann::json status =
        formats::status_json(driven(), snapshot, {.version = "0", .line = "line", .mqtt = {}});
    CHECK(by_id(status["quantities"], "driver-heatsink")["name"] == quantity_name);
    CHECK(by_id(status["quantities"], "driver-heatsink")["stage"] == "driver");
    CHECK(by_id(status["limits"], "driver-heatsink")["name"] == limit_name);
    CHECK(by_id(status["limits"], "driver-heatsink")["stage"] == "driver");
    CHECK(by_id(status["causes"], "driver-heatsink")["name"] == limit_name);
    for (const char* const list : {"quantities", "limits"})
        for (const auto& one : status[list]) CHECK(one.contains("stage") == (one["id"] == "driver-heatsink"));
    const ctl::Message told = ctl::read_message(nlohmann::json{{"status", status}}.dump());
    REQUIRE(told.status);
    CHECK(says(ctl::to_text(ctl::limit_lines(*told.status, {}), {}, true), quantity_name));

    const homie::Device device{driven()};
    CHECK(says(device.description(1), quantity_name));
    CHECK(says(device.description(1), limit_name));
    bool alerted = false;
    for (const auto& [id, alert] : device.alerts(snapshot)) alerted = alerted || says(alert.sentence, quantity_name);
    CHECK(alerted);
    CHECK(says(formats::to_json(device.summary(snapshot, {})).dump(), quantity_name));
    CHECK(says(homie::discovery_document(driven(), device, "0", {}), quantity_name));
    const nlohmann::json published = formats::to_json(formats::plan_of(plan));
    CHECK(by_id(published["limits"], "driver-heatsink")["name"] == limit_name);
    CHECK(by_id(published["limits"], "driver-heatsink")["stage"] == "driver");

    std::string sentences;
    for (const std::string& sentence : formats::summarise(driven())) sentences += sentence + "\n";
    CHECK(says(sentences, "De-keys when Driver: Heatsink is at or above 60 °C"));
    const std::string page = ctl::sheet::station_sheet(driven(), {.file = "a", .date = "2026-03-01", .version = "1"});
    CHECK(says(page, limit_name));
    CHECK(says(page, "Driver, heatsink"));  // the table of wires
    CHECK(says(page, "trips at ≥ 60"));     // in the driver's block
}

TEST_CASE("the example of the annotated file reads as it stands there: a stage with its nominal supply") {
    const std::string text =
        changed(changed(changed(driven_text(), "stages: {driver: {name: Driver}}",
                                "stages: {driver: {name: Driver, nominal_supply: 12 V}}"),
                        "limits:\n", "limits:\n  driver-supply: {watch: driver-supply, above: +10 %, clear: +5 %}\n"),
                "  driver-heatsink:\n",
                "  driver-supply: {stage: driver, bus: psu, address: in2, measures: voltage, role: supply, "
                "allowed_age: 500 ms}\n"
                "  driver-heatsink:\n");
    const formats::Configuration configuration = loaded(text);
    CHECK(configuration.plan.limits[limit_index(configuration.plan, "driver-supply")].trip == doctest::Approx(13.2));
}

TEST_CASE("on the sheet each supply is a port, and each fan and supply a wire of the amplifier's block") {
    std::string text = changed(annotated_text(), "    role: current\n", "    role: current\n    supply: supply\n");
    text = changed(text, "conversion: 84 ms", "conversion: 10 ms");  // of more slots
    text = changed(text, "  # driver-heatsink:\n",
                   "  supply-2: {bus: psu, address: in2, measures: voltage, role: supply, allowed_age: 500 ms}\n"
                   "  current-2: {bus: psu, address: curr2, measures: current, role: current, supply: supply-2, "
                   "allowed_age: 500 ms}\n"
                   "  fan-2: {bus: fans, address: fan2, measures: speed, role: fan, allowed_age: 3 s}\n");
    text = changed(text, "  current:\n    name: Supply current too high\n    watch: current\n",
                   "  supply-2: {watch: supply-2, above: 29 V, clear: 28.5 V}\n"
                   "  current:\n    name: Supply current too high\n    watch: current\n");
    const formats::Configuration configuration = loaded(text);
    const std::vector<ctl::sheet::Port> ports = ctl::sheet::ports_of(configuration);
    const auto port = std::find_if(ports.begin(), ports.end(), [](const auto& one) { return one.name == "Supply 2"; });
    REQUIRE(port != ports.end());
    CHECK(port->guard == "'supply-2' trips at 29 V");
    const std::vector<ctl::sheet::Wire> wires = ctl::sheet::wires_of(configuration);
    const std::vector<ctl::sheet::Part> chain = ctl::sheet::main_chain(configuration, wires);
    const auto amplifier =
        std::find_if(chain.begin(), chain.end(), [](const auto& part) { return part.name == "Amplifier"; });
    REQUIRE(amplifier != chain.end());
    for (const ctl::sheet::Wire& wire : wires) {
        if (!wire.from.starts_with("amplifier, ")) continue;
        CAPTURE(wire.carries);
        CHECK(std::count(amplifier->marks.begin(), amplifier->marks.end(), wire.mark) == 1);
    }
    CHECK(std::count_if(wires.begin(), wires.end(), [](const auto& wire) { return wire.from == "amplifier, fan"; }) ==
          2);
}

TEST_CASE("without stages nothing says a word of them, and a stage changes nothing of the others") {
    const formats::Configuration without = loaded(annotated_text());
    const nlohmann::json before = formats::to_json(formats::plan_of(without.plan));
    const nlohmann::json after = formats::to_json(formats::plan_of(driven().plan));
    CHECK_FALSE(says(before.dump(), "stage"));
    CHECK(before["roles"] == after["roles"]);
    for (const auto& limit : before["limits"]) CHECK(by_id(after["limits"], limit["id"].get<std::string>()) == limit);
    CHECK(after["limits"].size() == before["limits"].size() + 1);
    Station station{without};
    station.values = {{"heatsink", 30.0}, {"ambient", 22.0}, {"forward", 0.001}, {"reflected", 0.0001},
                      {"drive", 0.0001},  {"supply", 28.0},  {"current", 1.6},   {"fan", 2400.0}};
    station.run(1s);
    const auto status =
        formats::status_json(without, station.snapshot(), {.version = "0", .line = "line", .mqtt = {}}).dump();
    CHECK_FALSE(says(status, "\"stage\""));
}
