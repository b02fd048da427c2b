// The control socket's language: one JSON object a line, each way.
#pragma once

#include <cstddef>
#include <cstdint>
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <variant>

#include "core/interlock.hpp"

namespace dekeyd::formats {

/// The longest request line, without its newline.
inline constexpr std::size_t longest_request = 4096;

/// A command that waited so long is void, but for a hold: by then its client has the answer that it was not done.
inline constexpr core::Duration command_life = std::chrono::milliseconds{1500};

struct StatusRequest {};
struct WatchRequest {
    double hz = 5.0;  ///< 0.1 .. 50
};
/// A long recording of everything that the guard sees, streamed as text.
struct RecordRequest {
    double seconds = 0.0;  ///< 1 .. 86400
};
struct CommandRequest {
    core::CommandKind kind = core::CommandKind::hold;
    std::string reason;  ///< for the log: printable, at most 200 bytes
    std::string limit;   ///< of prove-limit: its id
};
/// The telemetry's: all that it publishes, from now on.
struct FollowRequest {};
/// The telemetry's: events of the journal behind this number.
struct EventsRequest {
    std::uint64_t after = 0;
};
/// The telemetry's: a part of a capture on the disk.
struct CaptureRequest {
    std::string name;  ///< of the file alone
    std::uint64_t offset = 0;
};
/// The telemetry's word of itself.
struct ReportRequest {
    bool broker = false;  ///< its broker takes what it says
};
/// Why a line is no request: what it is, and what was expected.
struct BadRequest {
    std::string error;
};
using Request = std::variant<StatusRequest, WatchRequest, RecordRequest, CommandRequest, FollowRequest, EventsRequest,
                             CaptureRequest, ReportRequest, BadRequest>;

/// Total: any bytes give a request or a BadRequest. Unknown keys are refused, so that a misspelt one isn't overlooked.
Request parse_request(std::string_view line);

/// The answers, each one line with its newline.
std::string error_answer(std::string_view error);
std::string status_answer(const nlohmann::ordered_json& status);
std::string watch_status(const nlohmann::ordered_json& status);
std::string watch_event(const nlohmann::ordered_json& event);
/// A part of a recording; the last one has done.
std::string recording_part(std::string_view text, bool done);
/// `event`: the guard's own for this command; its kind is the outcome.
std::string command_answer(const core::Event& event, std::string_view sentence);
/// The same for what is done but not durable yet: "saved" is false, and the text says what may come of that.
std::string unsaved_answer(const core::Event& event, std::string_view sentence);

}  // namespace dekeyd::formats
