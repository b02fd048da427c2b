// Commands that wait for the guard's answer, and answers that wait to be durable: an operator gets the answer to a
// hold, a release or a reset only when it outlives a power cut, or that it doesn't yet.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "plan/events.hpp"
#include "plan/time.hpp"
#include "recording/storage_state.hpp"

namespace dekeyd {

class PendingAnswers {
public:
    static constexpr core::Duration answer_timeout = std::chrono::seconds{2};
    static constexpr core::Duration proof_timeout = std::chrono::seconds{70};  ///< a limit that is forced

    /// Without a storage everything counts as durable.
    explicit PendingAnswers(const StorageState* saved) noexcept : saved_{saved} {}

    struct Answer {
        int descriptor;
        std::string line;
    };

    void await(int descriptor, const core::Command& command);
    [[nodiscard]] bool empty() const noexcept { return pending_.empty(); }
    [[nodiscard]] bool waits(int descriptor) const noexcept;
    /// Its client has gone.
    void forget(int descriptor);

    /// Of an event that answers a command; empty where it answers none, or is not durable yet.
    std::optional<Answer> answered(const core::Event& event, const std::string& sentence, core::Instant now);
    /// Answers that have become durable since, and those that are late.
    std::vector<Answer> due(core::Instant now);

private:
    struct Pending {
        int descriptor = -1;
        core::Origin origin = core::Origin::local;
        core::Instant until{};
        std::optional<core::Event> done{};  ///< the guard's answer, which waits to be durable
        std::string sentence{};
    };
    [[nodiscard]] bool is_saved(const core::Event& event) const noexcept;
    [[nodiscard]] std::optional<std::string> line_of(const Pending& pending, core::Instant now) const;

    const StorageState* saved_;
    std::map<std::uint32_t, Pending> pending_;
};

}  // namespace dekeyd
