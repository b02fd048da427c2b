#include "dekeyctl/status.hpp"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using Json = nlohmann::json;

const Json* member(const Json& object, const char* key) {
    const auto found = object.find(key);
    return found == object.end() ? nullptr : &*found;
}

/// What may be concluded from a status without a boolean `permit`: nothing.
std::optional<Status> read_status(const Json& json) {
    if (!json.is_object()) return std::nullopt;
    const Json* permit = member(json, "permit");
    if (permit == nullptr || !permit->is_boolean()) return std::nullopt;
    auto status = formats::from_json<Status>(json, printable);
    // Limits that rest except while commissioning say nothing at other times.
    std::erase_if(status.limits, [](const Limit& limit) { return limit.provisional && limit.rests && !limit.active; });
    return status;
}

/// The members of an answer that aren't messages of their own.
struct Answer {
    std::optional<bool> ok{};
    std::string outcome{}, text{}, error{};
    bool saved = true;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("ok", self.ok);
        visit("outcome", self.outcome);
        visit("text", self.text);
        visit("error", self.error);
        visit("saved", self.saved);
    }
};

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
        message.event = formats::from_json<EventLine>(*event, printable);
    const auto answer = formats::from_json<Answer>(json, printable);
    message.ok = answer.ok;
    message.outcome = answer.outcome;
    message.text = answer.text;
    message.saved = answer.saved;
    if (!answer.error.empty()) message.error = answer.error;
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
