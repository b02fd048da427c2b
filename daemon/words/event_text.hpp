// An event in one sentence for people, and as a JSON object for programs.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "base/wall_time.hpp"
#include "core/interlock.hpp"
#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "words/figures.hpp"
#include "words/messages.hpp"

namespace dekeyd::formats {

/// With a capital letter first, as a sentence or a name begins.
std::string capital(std::string_view words);

/// The quantity that an event of this source is about: a limit's watched one, a channel's own.
std::optional<core::QuantityIndex> quantity_of(const core::Plan& plan, core::SourceIndex source) noexcept;

/// One or two sentences: what happened, to what, by how much, and how it ends. `around`: all quantities at that time
/// (Snapshot::quantities), so that a VSWR trip can name its forward power; may be empty.
std::string sentence(const core::Plan& plan, const core::Event& event, std::span<const core::Reading> around = {});

/// What a source's being a cause means, in a few words without a full stop: "Heatsink 71.2 °C at or above 70.0 °C".
std::string cause_in_words(const core::Plan& plan, core::SourceIndex source, const core::Cause& cause,
                           const core::Reading* reading);

/// How a part of a proof test came out, with what was measured.
ProofOutcome proof_outcome(const core::Event& event);

/// The event as it is told to clients, by MQTT and in the journal. `around`: as for sentence().
EventMessage event_message(const core::Plan& plan, const core::Event& event, const WallStamp& stamp,
                           std::span<const core::Reading> around = {});
nlohmann::ordered_json event_json(const core::Plan& plan, const core::Event& event, const WallStamp& stamp,
                                  std::span<const core::Reading> around = {});

}  // namespace dekeyd::formats
