// A snapshot as the `status` object of the control socket.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "core/step.hpp"
#include "formats/configuration.hpp"

namespace dekeyd::formats {

/// What a status tells beside the snapshot.
struct StatusContext {
    std::string_view version;
    std::string_view line;  ///< what the line's driver says of itself
    bool realtime = false;  ///< the guard has real-time priority
    bool memory_locked = false;
    std::optional<bool> broker_connected;  ///< empty: no broker is configured
};

/// Every number in it is finite; what isn't measured is null.
nlohmann::ordered_json status_json(const Configuration& configuration, const core::Snapshot& snapshot,
                                   const StatusContext& context);

/// One line of text without its final newline; bytes that aren't UTF-8 are replaced.
std::string to_line(const nlohmann::ordered_json& json);

}  // namespace dekeyd::formats
