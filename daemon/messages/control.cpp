#include "messages/control.hpp"

#include <fmt/format.h>

#include <array>
#include <nlohmann/json.hpp>
#include <optional>

#include "messages/snapshot_json.hpp"
#include "words/event_text.hpp"
#include "words/notes.hpp"

namespace dekeyd::formats {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::string_view expected_request =
    R"(expected one JSON object a line, such as {"ask":"status"}, {"ask":"watch","hz":5}, )"
    R"({"ask":"hold","reason":"..."}, {"ask":"release"} or {"ask":"reset"})";
constexpr double slowest_hz = 0.1, fastest_hz = 50.0;

BadRequest bad(std::string_view what) {
    return {fmt::format("{}; {}", what, expected_request)};
}

/// Text that came from outside, safe to put into a log or an answer.
std::string printable(std::string_view text, std::size_t longest) {
    std::string safe{text.substr(0, longest)};
    for (char& c : safe) {
        const auto byte = static_cast<unsigned char>(c);
        if (byte < 0x20 || byte == 0x7f) c = ' ';
    }
    return safe;
}

std::optional<BadRequest> only(const Json& object, std::string_view ask, std::string_view key) {
    for (const auto& [name, value] : object.items()) {
        if (name != "ask" && name != key) {
            return bad(fmt::format("'{}' is no part of '{}'", printable(name, 40), ask));
        }
    }
    return std::nullopt;
}

Request watch_request(const Json& object) {
    if (auto fault = only(object, "watch", "hz")) return *fault;
    const auto hz = object.find("hz");
    if (hz == object.end()) return WatchRequest{};
    if (!hz->is_number()) return bad("'hz' is not a number");
    const double rate = hz->get<double>();
    if (!(rate >= slowest_hz && rate <= fastest_hz)) {
        return BadRequest{fmt::format("'hz' is out of range; expected {} to {}", slowest_hz, fastest_hz)};
    }
    return WatchRequest{rate};
}

Request follow_request(const Json& object) {
    if (auto fault = only(object, "follow", "ask")) return *fault;
    return FollowRequest{};
}

Request events_request(const Json& object) {
    if (auto fault = only(object, "events", "after")) return *fault;
    const auto after = object.find("after");
    if (after == object.end() || !after->is_number_unsigned()) return bad("'after' is missing, or not a whole number");
    return EventsRequest{after->get<std::uint64_t>()};
}

Request capture_request(const Json& object) {
    for (const auto& [key, value] : object.items()) {
        if (key != "ask" && key != "name" && key != "offset")
            return bad(fmt::format("'{}' is no part of 'capture'", printable(key, 40)));
    }
    const auto name = object.find("name"), offset = object.find("offset");
    if (name == object.end() || !name->is_string()) return bad("'name' is missing, or not a text");
    if (offset == object.end() || !offset->is_number_unsigned())
        return bad("'offset' is missing, or not a whole number");
    return CaptureRequest{name->get<std::string>(), offset->get<std::uint64_t>()};
}

Request report_request(const Json& object) {
    if (auto fault = only(object, "report", "broker")) return *fault;
    const auto broker = object.find("broker");
    if (broker == object.end() || !broker->is_boolean()) return bad("'broker' is missing, or neither true nor false");
    return ReportRequest{broker->get<bool>()};
}

Request record_request(const Json& object) {
    constexpr double longest_s = 86'400.0;
    if (auto fault = only(object, "record", "seconds")) return *fault;
    const auto seconds = object.find("seconds");
    if (seconds == object.end() || !seconds->is_number()) return bad("'seconds' is missing, or not a number");
    const double length = seconds->get<double>();
    if (!(length >= 1.0 && length <= longest_s)) {
        return BadRequest{fmt::format("'seconds' is out of range; expected 1 to {}", longest_s)};
    }
    return RecordRequest{length};
}

Request command_request(const Json& object, core::CommandKind kind) {
    if (auto fault = only(object, core::text(kind), "reason")) return *fault;
    const auto reason = object.find("reason");
    if (reason == object.end()) return CommandRequest{kind, {}, {}};
    if (!reason->is_string()) return bad("'reason' is not a text");
    return CommandRequest{kind, reason_of_bytes(reason->get_ref<const std::string&>()), {}};
}

Request prove_request(const Json& object, core::CommandKind kind) {
    const bool of_limit = kind == core::CommandKind::prove_limit;
    if (auto fault = only(object, core::text(kind), of_limit ? "limit" : "ask")) return *fault;
    if (!of_limit) return CommandRequest{kind, {}, {}};
    const auto limit = object.find("limit");
    if (limit == object.end() || !limit->is_string()) return bad("'limit' is missing, or not a text");
    return CommandRequest{kind, {}, limit->get<std::string>()};
}

std::string line(const Json& json) {
    return to_line(json) + '\n';
}

}  // namespace

Request parse_request(std::string_view text) {
    if (text.size() > longest_request) return bad(fmt::format("the request is over {} bytes", longest_request));
    bool twice = false;
    std::vector<std::string> keys;
    // Of two equal keys the library would keep the last one in silence.
    const auto look = [&](int depth, Json::parse_event_t event, Json& parsed) {
        if (depth == 1 && event == Json::parse_event_t::key) {
            const auto& key = parsed.get_ref<const std::string&>();
            for (const std::string& known : keys) twice = twice || known == key;
            keys.push_back(key);
        }
        return true;
    };
    const Json object = Json::parse(text, look, false);
    if (object.is_discarded()) return bad("this is not JSON");
    if (!object.is_object()) return bad("this is not a JSON object");
    if (twice) return bad("a key is there twice");
    const auto ask = object.find("ask");
    if (ask == object.end()) return bad("'ask' is missing");
    if (!ask->is_string()) return bad("'ask' is not a text");
    const auto& what = ask->get_ref<const std::string&>();
    if (what == "status") {
        if (auto fault = only(object, what, "ask")) return *fault;
        return StatusRequest{};
    }
    if (what == "watch") return watch_request(object);
    if (what == "record") return record_request(object);
    if (what == "follow") return follow_request(object);
    if (what == "events") return events_request(object);
    if (what == "capture") return capture_request(object);
    if (what == "report") return report_request(object);
    // The rest are the commands that an operator may give; those that only the daemon gives to core are refused.
    if (const auto kind = core::command_kind_words.find(what); kind && core::is_order(*kind))
        return core::is_proof(*kind) ? prove_request(object, *kind) : command_request(object, *kind);
    return bad(fmt::format("'{}' can't be asked for", printable(what, 40)));
}

std::string error_answer(std::string_view error) {
    return line({{"ok", false}, {"error", error}});
}

std::string status_answer(const Json& status) {
    return line({{"ok", true}, {"status", status}});
}

std::string watch_status(const Json& status) {
    return line({{"status", status}});
}

std::string watch_event(const Json& event) {
    return line({{"event", event}});
}

std::string recording_part(std::string_view text, bool done) {
    return line({{"recording", text}, {"done", done}});
}

namespace {

Json outcome_json(const core::Event& event, std::string_view sentence) {
    const bool failed = event.why != core::ProofEnd::none && event.why != core::ProofEnd::passed &&
                        event.command != core::CommandKind::prove_end;
    Json json{{"ok", event.kind != core::EventKind::refused && !failed},
              {"outcome", core::text(event.kind)},
              {"text", sentence}};
    if (event.why != core::ProofEnd::none) json["proof"] = to_json(proof_outcome(event));
    return json;
}

}  // namespace

std::string command_answer(const core::Event& event, std::string_view sentence) {
    return line(outcome_json(event, sentence));
}

std::string unsaved_answer(const core::Event& event, std::string_view sentence) {
    const std::string_view after =
        event.kind == core::EventKind::held
            ? "The line is inhibited now, but the hold is not saved yet: the storage hasn't "
              "taken it, and a restart or a power cut may forget it."
            : "This is not saved yet: the storage hasn't taken it, and what stood before may "
              "stand again after a restart.";
    Json json = outcome_json(event, fmt::format("{} {} See 'dekeyctl status'.", sentence, after));
    json["saved"] = false;
    return line(json);
}

}  // namespace dekeyd::formats
