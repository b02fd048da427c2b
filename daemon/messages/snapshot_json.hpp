// A snapshot as the `status` object of the control socket.
#pragma once

#include <chrono>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "store/proof_record.hpp"
#include "words/messages.hpp"
#include "words/notes.hpp"

namespace dekeyd::formats {

/// A status's figures beside the snapshot.
struct StatusContext {
    std::string_view version;
    std::string_view line;  ///< what the line's driver says of itself
    bool realtime = false;  ///< the guard has real-time priority
    bool memory_locked = false;
    std::optional<MqttStatus> mqtt;                   ///< empty: no broker is configured
    std::optional<ProofStatus> proof = std::nullopt;  ///< the last proof test that was passed
    /// What is kept of the past: written, waiting for the storage, given up for newer ones, and tries that failed.
    std::optional<KeptStatus> kept = std::nullopt;
    /// For how long the newest latches, holds or counters have not been durable; nothing: they are.
    std::optional<double> unsaved_s = std::nullopt;
    Notes notes{};                    ///< of what stands in the snapshot's memory
    std::chrono::nanoseconds wall{};  ///< now
};

/// The whole status, as the control socket answers it.
Status status_of(const Configuration& configuration, const core::Snapshot& snapshot, const StatusContext& context);

/// The same as JSON. Every number in it is finite; what isn't measured is null.
nlohmann::ordered_json status_json(const Configuration& configuration, const core::Snapshot& snapshot,
                                   const StatusContext& context);

/// What each channel has done since the start.
std::vector<ChannelCount> channel_counts(const core::Plan& plan, const core::Snapshot& snapshot);

/// One line of text without its final newline; bytes that aren't UTF-8 are replaced.
std::string to_line(const nlohmann::ordered_json& json);

}  // namespace dekeyd::formats
