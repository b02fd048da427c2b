// How grave an event is: the log by MQTT, the journal's and the page's JSON and the terminal say the same of each kind.
#include <doctest/doctest.h>

#include <nlohmann/json.hpp>
#include <set>
#include <string>

#include "core/interlock.hpp"
#include "dekeyctl/status.hpp"
#include "station.hpp"
#include "telemetry/published/homie.hpp"
#include "words/event_text.hpp"

namespace {

using namespace dekeyd;
using core::EventKind;
using core::Severity;

core::Event of(EventKind kind) {
    core::Event event;
    event.kind = kind;
    return event;
}

TEST_CASE("each kind of event has words of its own, a sign and one severity everywhere") {
    const formats::Configuration configuration = agree::loaded(agree::annotated_text());
    std::set<std::string_view> ids;
    for (std::size_t i = 0; i < core::event_kind_count; ++i) {
        const core::Event event = of(static_cast<EventKind>(i));
        const core::EventRow& row = core::row_of(event.kind);
        CAPTURE(row.id);
        CHECK(ids.insert(row.id).second);
        CHECK(!row.sign.empty());
        const auto json = formats::event_json(configuration.plan, event, {});
        CHECK(json["severity"] == core::text(core::severity_of(event)));
        const ctl::Message message = ctl::read_message(nlohmann::ordered_json{{"event", json}}.dump());
        REQUIRE(message.event);
        CHECK(message.event->severity == core::text(core::severity_of(event)));
    }
}

TEST_CASE("what takes the permit away is an alarm; what somebody should look at a warning") {
    for (const EventKind kind : {EventKind::tripped, EventKind::latched, EventKind::locked_out})
        CHECK(core::log_level_words.of(core::severity_of(of(kind))) == "error");
    for (const EventKind kind : {EventKind::sensor_lost, EventKind::contactor_opened, EventKind::held,
                                 EventKind::transmission_ending, EventKind::commissioning, EventKind::proof_begun})
        CHECK(core::log_level_words.of(core::severity_of(of(kind))) == "warn");
    for (const EventKind kind : {EventKind::permitted, EventKind::cleared, EventKind::rf_on, EventKind::reset})
        CHECK(core::log_level_words.of(core::severity_of(of(kind))) == "info");
}

TEST_CASE("what a proof forces is no alarm; a part of it that failed is a warning") {
    core::Event trip = of(EventKind::tripped);
    trip.forced = true;
    CHECK(core::severity_of(trip) == Severity::notice);
    core::Event part = of(EventKind::proof_limit);
    part.why = core::ProofEnd::not_tripped;
    CHECK(core::severity_of(part) == Severity::warning);
    part.why = core::ProofEnd::passed;
    CHECK(core::severity_of(part) == Severity::notice);
}

}  // namespace
