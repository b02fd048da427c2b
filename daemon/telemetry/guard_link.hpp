// The way to the guard: a client of its control socket that follows it, asks for events of its journal, and passes
// commands on. Its own thread; it tries for as long as there is no guard.
#pragma once

#include <atomic>
#include <memory>
#include <string>

#include "configuration/configuration.hpp"
#include "plan/time.hpp"
#include "telemetry/guard_view.hpp"

namespace dekeyd {

class GuardLink {
public:
    /// Whether the guard that was found is ours to tell of.
    enum class Match : std::uint8_t { unknown, yes, other_configuration, other_version };

    /// Both references must outlive the link, and the process if a stop() returned false.
    GuardLink(const formats::Configuration& configuration, std::string version, GuardView& view);
    ~GuardLink();
    GuardLink(const GuardLink&) = delete;
    GuardLink& operator=(const GuardLink&) = delete;

    void start();
    bool stop(core::Instant deadline);

    [[nodiscard]] Match match() const noexcept;
    /// configuration_sum() of the guard that was found last.
    [[nodiscard]] std::string guards_configuration() const;
    /// How often a guard of ours was found: from the second time on one that was started anew, perhaps.
    [[nodiscard]] std::uint64_t found() const noexcept;
    /// Rises with each turn of its thread, for a watchdog.
    [[nodiscard]] std::uint64_t turns() const noexcept;

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
};

}  // namespace dekeyd
