#include "dekeyctl/status.hpp"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using Json = nlohmann::json;

const Json* member(const Json& object, const char* key) {
    if (!object.is_object()) return nullptr;
    const auto found = object.find(key);
    return found == object.end() ? nullptr : &*found;
}

std::string text_of(const Json& object, const char* key) {
    const Json* value = member(object, key);
    return value != nullptr && value->is_string() ? printable(value->get_ref<const std::string&>()) : std::string{};
}

std::optional<double> number_if(const Json& object, const char* key) {
    const Json* value = member(object, key);
    if (value == nullptr || !value->is_number()) return std::nullopt;
    const double number = value->get<double>();
    return std::isfinite(number) ? std::optional{number} : std::nullopt;
}

double number_of(const Json& object, const char* key) {
    return number_if(object, key).value_or(0.0);
}

std::uint64_t count_of(const Json& object, const char* key) {
    const Json* value = member(object, key);
    return value != nullptr && value->is_number_unsigned() ? value->get<std::uint64_t>() : 0;
}

std::optional<bool> flag_if(const Json& object, const char* key) {
    const Json* value = member(object, key);
    return value != nullptr && value->is_boolean() ? std::optional{value->get<bool>()} : std::nullopt;
}

bool flag_of(const Json& object, const char* key) {
    return flag_if(object, key).value_or(false);
}

template <class Item, class Read>
std::vector<Item> list_of(const Json& object, const char* key, Read read) {
    std::vector<Item> items;
    if (const Json* list = member(object, key); list != nullptr && list->is_array())
        for (const Json& entry : *list) items.push_back(read(entry));
    return items;
}

Quantity read_quantity(const Json& json) {
    return {.id = text_of(json, "id"),
            .name = text_of(json, "name"),
            .unit = text_of(json, "unit"),
            .value = number_if(json, "value"),
            .low = number_of(json, "low"),
            .high = number_of(json, "high"),
            .health = text_of(json, "health"),
            .fault = text_of(json, "fault"),
            .age_s = number_if(json, "age_s")};
}

Limit read_limit(const Json& json) {
    return {.id = text_of(json, "id"),
            .name = text_of(json, "name"),
            .watch = text_of(json, "watch"),
            .unit = text_of(json, "unit"),
            .above = text_of(json, "direction") != "below",
            .trip = number_of(json, "trip"),
            .clear = number_if(json, "clear"),
            .warn = number_if(json, "warn"),
            .clears_by_level = text_of(json, "clear_by") == "level",
            .qualify_s = number_of(json, "qualify_s"),
            .hold_off_s = number_of(json, "hold_off_s"),
            .latches = text_of(json, "rearm") != "automatic",
            .condition = text_of(json, "condition"),
            .active = flag_of(json, "active"),
            .warning = flag_of(json, "warning"),
            .trips = !json.contains("trips") || flag_of(json, "trips"),
            .provisional = flag_of(json, "provisional"),
            .rests = flag_of(json, "rests") ? text_of(json, "standing") : std::string{}};
}

Cause read_cause(const Json& json) {
    return {.id = text_of(json, "id"),
            .name = text_of(json, "name"),
            .kind = text_of(json, "kind"),
            .condition = text_of(json, "condition"),
            .latched = flag_of(json, "latched"),
            .first = flag_of(json, "first"),
            .since_s = number_of(json, "since_s"),
            .hold_off_left_s = number_of(json, "hold_off_left_s")};
}

ChannelCount read_channel(const Json& json) {
    return {.id = text_of(json, "id"),
            .last_fault = text_of(json, "last_fault"),
            .good_keyed = count_of(json, "good_keyed"),
            .good_idle = count_of(json, "good_idle"),
            .faults_keyed = count_of(json, "faults_keyed"),
            .faults_idle = count_of(json, "faults_idle"),
            .frozen = flag_of(json, "frozen")};
}

std::optional<Status> read_status(const Json& json) {
    const std::optional<bool> permit = flag_if(json, "permit");
    if (!permit) return std::nullopt;
    Status status;
    status.id = text_of(json, "id");
    status.name = text_of(json, "name");
    status.version = text_of(json, "version");
    status.now_s = number_of(json, "now_s");
    status.sequence = count_of(json, "sequence");
    status.permit = *permit;
    status.state = text_of(json, "state");
    status.reason = text_of(json, "reason");
    status.line = text_of(json, "line");
    status.advice = text_of(json, "advice");
    status.commissioning_left_s = number_if(json, "commissioning_left_s");
    status.causes = list_of<Cause>(json, "causes", read_cause);
    status.quantities = list_of<Quantity>(json, "quantities", read_quantity);
    status.limits = list_of<Limit>(json, "limits", read_limit);
    // Limits that rest but while commissioning say nothing at other times.
    std::erase_if(status.limits,
                  [](const Limit& limit) { return limit.provisional && !limit.rests.empty() && !limit.active; });
    if (const Json* laws = member(json, "laws"); laws != nullptr && laws->is_object())
        for (const auto& [sensor, law] : laws->items())
            if (law.is_string()) status.laws[printable(sensor)] = printable(law.get<std::string>());
    status.channels = list_of<ChannelCount>(json, "channels", read_channel);
    if (const Json* guard = member(json, "guard")) {
        status.overruns = count_of(*guard, "overruns");
        status.events_dropped = count_of(*guard, "events_dropped");
        status.realtime = flag_of(*guard, "realtime");
        status.memory_locked = flag_of(*guard, "memory_locked");
    }
    if (const Json* mqtt = member(json, "mqtt"); mqtt != nullptr && mqtt->is_object())
        status.broker_connected = flag_of(*mqtt, "connected");
    if (const Json* kept = member(json, "kept"); kept != nullptr && kept->is_object())
        status.kept = Kept{.captures = count_of(*kept, "captures"),
                           .waiting = count_of(*kept, "waiting"),
                           .dropped = count_of(*kept, "dropped"),
                           .failed_writes = count_of(*kept, "failed_writes"),
                           .lost_steps = count_of(*kept, "lost_steps")};
    if (const Json* memory = member(json, "memory")) {
        status.first_start = flag_of(*memory, "first_start");
        status.unreadable = flag_of(*memory, "unreadable");
        status.locked_out = flag_of(*memory, "locked_out");
        status.held_locally = flag_of(*memory, "held_locally");
        status.held_remotely = flag_of(*memory, "held_remotely");
        status.unsaved_s = number_if(*memory, "unsaved_s");
    }
    status.settling_left_s = number_of(json, "settling_left_s");
    return status;
}

EventLine read_event(const Json& json) {
    return {.number = count_of(json, "number"),
            .at_s = number_of(json, "at_s"),
            .wall = text_of(json, "wall"),
            .synchronised = flag_of(json, "synchronised"),
            .kind = text_of(json, "kind"),
            .severity = text_of(json, "severity"),
            .source = text_of(json, "source"),
            .state = text_of(json, "state"),
            .text = text_of(json, "text")};
}

std::string percent(double share) {
    return share <= 0.0 ? "none" : share < 0.01 ? "under 1 %" : fmt::format("{:.0f} %", share * 100.0);
}

}  // namespace

Message read_message(std::string_view line) {
    Message message;
    const Json json = Json::parse(line, nullptr, false);
    if (!json.is_object()) {
        message.error = "the answer is not a JSON object; expected one line of JSON from dekeyd's control socket";
        return message;
    }
    if (const Json* status = member(json, "status")) {
        message.status = read_status(*status);
        if (!message.status) message.error = "the status says nothing of the permit; expected a dekeyd of this version";
    }
    if (const Json* event = member(json, "event"); event != nullptr && event->is_object())
        message.event = read_event(*event);
    message.ok = flag_if(json, "ok");
    message.outcome = text_of(json, "outcome");
    message.text = text_of(json, "text");
    message.saved = flag_if(json, "saved").value_or(true);
    if (const std::string error = text_of(json, "error"); !error.empty()) message.error = error;
    return message;
}

std::vector<std::string> sensor_notes(const Status& status) {
    std::vector<std::string> notes;
    for (const ChannelCount& channel : status.channels) {
        if (channel.frozen)
            notes.push_back(
                fmt::format("{}: frozen: not a bit of its reading has changed for longer than configured; "
                            "touch or warm the sensor and look again",
                            channel.id));
        const std::uint64_t faults = channel.faults_keyed + channel.faults_idle;
        if (faults == 0) continue;
        const auto share = [](std::uint64_t bad, std::uint64_t good) {
            return bad + good == 0 ? 0.0 : static_cast<double>(bad) / static_cast<double>(bad + good);
        };
        const double keyed = share(channel.faults_keyed, channel.good_keyed);
        const double idle = share(channel.faults_idle, channel.good_idle);
        // Ten faults and five times the share: far beyond what an even spread over both would give.
        const bool suspect = channel.faults_keyed >= 10 && keyed > 5.0 * idle;
        notes.push_back(fmt::format("{}: faults {} while keyed, {} otherwise (last: {}){}", channel.id, percent(keyed),
                                    percent(idle), channel.last_fault.empty() ? "?" : channel.last_fault,
                                    suspect ? ": suspect RF on this cable" : ""));
    }
    return notes;
}

}  // namespace dekeyd::ctl
