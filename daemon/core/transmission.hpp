// When a transmission begins and ends, and when its longest time is nearly over.
#pragma once

#include <optional>

#include "measure/derived.hpp"
#include "plan/events.hpp"
#include "plan/plan.hpp"
#include "plan/time.hpp"

namespace dekeyd::core {

class TransmissionWatch {
public:
    /// `plan` must outlive this.
    explicit TransmissionWatch(const Plan& plan) noexcept : plan_{&plan} {}

    /// `look` unknown changes nothing.
    void step(Instant now, RfLook look, EventList& events) noexcept;
    [[nodiscard]] bool rf_present() const noexcept { return memory_.rf_present; }
    /// From the first RF until RF has been absent for the hang time.
    [[nodiscard]] const std::optional<Instant>& since() const noexcept { return memory_.since; }

    struct Memory {
        Instant rf_last_seen{};
        bool rf_present = false;
        std::optional<Instant> since;
        bool ending_warned = false;  ///< of this transmission
    };
    /// Its state, for captures.
    [[nodiscard]] Memory& memory() noexcept { return memory_; }
    [[nodiscard]] const Memory& memory() const noexcept { return memory_; }

private:
    const Plan* plan_;
    Memory memory_;
};

}  // namespace dekeyd::core
