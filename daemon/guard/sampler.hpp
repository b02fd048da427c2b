// A sampler: reads one bus over and over, and hands whole scans to the guard. It may be blocked by its bus for as long
// as the kernel likes; no other thread is.
#pragma once

#include <atomic>
#include <memory>
#include <string>
#include <vector>

#include "base/handover.hpp"
#include "drivers/sensor.hpp"
#include "drivers/w1_conversion.hpp"
#include "guard/scan_buffer.hpp"
#include "plan/scan.hpp"
#include "plan/time.hpp"

namespace dekeyd {

/// What a sampler reads. A sensor may fill more than one slot (forward is read before and after reflected).
struct BusPlan {
    std::string name;  ///< of the thread too
    core::Duration period{};
    bool one_at_a_time = false;  ///< slow conversions: a scan per sensor, the other slots not in it
    /// All sensors convert at once before they are read, in one scan; none: each converts when it is read.
    std::unique_ptr<drivers::Conversion> conversion;
    std::vector<std::unique_ptr<drivers::Sensor>> sensors;
    std::vector<std::size_t> slots;  ///< per slot, in reading order: index into sensors
};

class Sampler {
public:
    static constexpr core::Duration refresh_interval = std::chrono::seconds{1};
    /// A sensor that stays away is looked for at most so often, or a fast bus would do nothing else.
    static constexpr core::Duration seek_interval = std::chrono::milliseconds{100};

    using Clock = core::Instant (*)() noexcept;

    /// `clock`: monotonic_now, or a test's.
    Sampler(BusPlan bus, Wake& guard, Clock clock);

    /// The thread's whole work, until leave().
    void run() noexcept;
    /// One pass over the bus.
    void round() noexcept;
    void leave() noexcept;

    [[nodiscard]] ScanRing& scans() noexcept { return scans_; }
    [[nodiscard]] const BusPlan& bus() const noexcept { return bus_; }
    /// When the last scan was handed over (or refused by a full queue); the epoch before the first.
    [[nodiscard]] core::Instant last_scan() const noexcept {
        return core::Instant{core::Duration{last_scan_ns_.load(std::memory_order_acquire)}};
    }
    /// Sensors that were not there at the last look, for a message; any thread.
    [[nodiscard]] std::uint64_t faults() const noexcept { return faults_.load(std::memory_order_relaxed); }

private:
    void round_of_one_conversion() noexcept;
    void read_slot(std::size_t slot, core::Sample& sample) noexcept;
    void note(std::size_t sensor, core::Fault fault) noexcept;
    void refresh_where_due(std::size_t sensor) noexcept;
    ScanBuffer* claim() noexcept;
    void hand_over(ScanBuffer* buffer) noexcept;

    struct SensorState {
        core::Instant refreshed{};
        bool faulty = true;  ///< nothing is open yet
        bool seen = false;
    };

    BusPlan bus_;
    Wake& guard_;
    Clock clock_;
    ScanRing scans_;
    ScanBuffer overflow_;  ///< filled when the queue is full, so that the sensors are read as ever
    std::vector<SensorState> states_;
    Wake wake_;
    std::atomic<bool> leave_{false};
    std::atomic<core::Duration::rep> last_scan_ns_{0};
    std::atomic<std::uint64_t> faults_{0};
};

}  // namespace dekeyd
