// The second opinion: between the decision and the line, and able only to take a permit away. It knows no reading, no
// watt and no cause: numbers as the drivers give them, the bounds that were worked out for them once, and their ages.
// It shares no code with what decides; where the two disagree, one of them is broken.
#pragma once

#include <chrono>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

namespace dekeyd::second_opinion {

using Time = std::chrono::nanoseconds;  // of the monotonic clock
inline constexpr Time never = Time::max();
inline constexpr std::uint16_t none = 0xffff;

/// One conversion. NaN: it gave no number. Infinite: the converter stood at that end of its scale.
struct Raw {
    double value = 0.0;
    Time begun{};
};

/// What lies beyond a level, on one side of it. The level itself does not.
struct Side {
    bool above = true;
    double level = 0.0;
    [[nodiscard]] bool holds(double raw) const noexcept { return above ? raw > level : raw < level; }
};

/// Where a number comes from, and how long it may stay away.
struct Sensor {
    std::uint16_t name = 0;  ///< what objection() calls it
    std::uint16_t sampler = 0, slot = 0;
    std::uint16_t again = none;          ///< read a second time in the same scan: the worse of the two counts
    bool falls = false;                  ///< of two, the lower is the worse
    double lowest = 0.0, highest = 0.0;  ///< a number outside is no reading
    Time age = never;                    ///< silent for longer is an objection; never: it may be absent
    bool while_supplied = false;         ///< its silence counts only while the supply is on
};

/// One absolute limit.
struct Bound {
    std::uint16_t name = 0;
    std::uint16_t sensor = 0;  ///< index
    Side beyond{};
    Time patience{};            ///< beyond for longer, in two looks at least, is an objection
    std::uint16_t gate = none;  ///< index of the sensor that says when it holds
    Side open{};                ///< of that sensor
    bool while_supplied = false;
};

class Monitor {
public:
    Monitor() = default;  ///< never objects
    /// `supply_time`: from the closing of the contactor until the supply counts as on.
    Monitor(const std::vector<Sensor>& sensors, const std::vector<Bound>& bounds, Time supply_time = Time::zero());

    /// Whether the supply's contactor is closed; true where there is none. Once a cycle, before objection().
    void supply(bool closed, Time now) noexcept;

    /// One scan: `at(slot)` gives the slot's Raw, for slots below `slots`. `now` never decreases.
    template <class At>
    void look(std::uint16_t sampler, std::size_t slots, const At& at, Time now) noexcept {
        for (Seen& seen : sensors_) {
            const Sensor& sensor = seen.sensor;
            seen.fresh = false;
            if (sensor.sampler != sampler) continue;
            if (sensor.slot < slots) take(seen, at(sensor.slot), now);
            if (sensor.again < slots) take(seen, at(sensor.again), now);
        }
        compare(now);
    }

    /// Asked after each decision: the name of what stands against a permit, if one was decided and something does. It
    /// then stands until the decision changes, even if its reason goes.
    std::optional<std::uint16_t> against(bool permit, Time now) noexcept;
    /// The same as things are now, permit or not.
    [[nodiscard]] std::optional<std::uint16_t> objection(Time now) const noexcept;

    [[nodiscard]] std::size_t bounds() const noexcept { return bounds_.size(); }

private:
    struct Seen {
        Sensor sensor;
        double value = 0.0;
        Time taken{};
        bool ever = false;
        bool fresh = false;  ///< in the scan that is being looked at
    };
    struct Watched {
        Bound bound;
        Time since{};             ///< of the first look beyond
        std::uint32_t looks = 0;  ///< beyond, one after another
    };
    static void take(Seen& seen, Raw raw, Time now) noexcept;
    void compare(Time now) noexcept;
    [[nodiscard]] bool beyond(const Bound& bound) const noexcept;

    std::vector<Seen> sensors_;
    std::vector<Watched> bounds_;
    Time supply_time_{};
    Time closed_since_ = never;
    bool supplied_ = false;
    std::optional<std::uint16_t> standing_;
};

}  // namespace dekeyd::second_opinion
