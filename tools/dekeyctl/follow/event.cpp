#include "dekeyctl/follow/event.hpp"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "dekeyctl/text.hpp"
#include "words/messages.hpp"

namespace dekeyd::ctl {
namespace {

using OrderedJson = nlohmann::ordered_json;

std::string one_line(const OrderedJson& json) {
    return json.dump(-1, ' ', false, OrderedJson::error_handler_t::replace);
}

FollowedEvent of_message(const OrderedJson& json) {
    const auto message = formats::from_json<formats::EventMessage>(nlohmann::json(json), &printable);
    FollowedEvent event;
    event.kind = message.kind;
    event.severity_word = message.severity;
    // A word that this version doesn't know may be a graver one.
    event.severity = core::severity_words.find(message.severity).value_or(core::Severity::alarm);
    event.wall = message.wall;
    event.source = message.source;
    event.state = message.state;
    event.text = message.text;
    event.at_s = message.at_s;
    event.since_start = message.number;
    return event;
}

std::uint64_t whole_number(const OrderedJson& json, const char* key) {
    const auto found = json.find(key);
    return found != json.end() && found->is_number_unsigned() ? found->get<std::uint64_t>() : 0;
}

}  // namespace

FollowedEvent stored_event(const Place& place, const std::string& text) {
    const OrderedJson json = OrderedJson::parse(text, nullptr, false);
    FollowedEvent event;
    if (json.is_object()) {
        event = of_message(json);
        event.since_start = whole_number(json, "since_start");
        event.json = one_line(json);
    } else {
        event = own_event("unreadable", core::Severity::alarm, "",
                          fmt::format("Event {} of the journal can't be read.", place.number), OrderedJson::object());
    }
    event.id = fmt::format("{}-{}", place.epoch, place.number);
    event.place = place;
    return event;
}

std::optional<FollowedEvent> live_event(std::string_view line) {
    const OrderedJson json = OrderedJson::parse(line, nullptr, false);
    if (!json.is_object()) return std::nullopt;
    const auto found = json.find("event");
    if (found == json.end() || !found->is_object()) return std::nullopt;
    FollowedEvent event = of_message(*found);
    event.id = fmt::format("unstored-{:.3f}-{}", event.at_s, event.since_start);
    OrderedJson told = *found;
    told["number"] = nullptr;  // that is the journal's
    told["since_start"] = event.since_start;
    event.json = one_line(told);
    return event;
}

FollowedEvent own_event(std::string_view kind, core::Severity severity, std::string_view wall, std::string_view text,
                        const OrderedJson& more) {
    FollowedEvent event;
    event.kind = kind;
    event.severity = severity;
    event.severity_word = core::text(severity);
    event.wall = wall;
    event.text = printable(text);
    event.own = true;
    event.id = fmt::format("{}-{}", kind, wall);
    OrderedJson json{{"number", nullptr},
                     {"wall", event.wall},
                     {"kind", event.kind},
                     {"severity", event.severity_word},
                     {"text", event.text}};
    json.update(more);
    event.json = one_line(json);
    return event;
}

bool passes(const FollowedEvent& event, core::Severity least) noexcept {
    return event.own || event.severity >= least;
}

}  // namespace dekeyd::ctl
