// The world around the daemon: the amplifier and its instruments, weather, transmissions, and what goes wrong.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "bench/bench.hpp"
#include "configuration/configuration.hpp"
#include "plan/scan.hpp"
#include "soak/chance.hpp"
#include "soak/contacts.hpp"
#include "soak/daemon.hpp"
#include "soak/disk.hpp"
#include "soak/instruments.hpp"
#include "soak/troubles.hpp"

namespace dekeyd::soak {

inline constexpr std::int64_t step_ns = 10'000'000;
inline constexpr double step_s = 0.01;

struct Options {
    double hours = 2.0;
    std::uint64_t seed = 1;
    std::string folder;
    std::string only;  ///< the one trouble that comes, and often; empty: all
    bool verbose = false;
};

/// One of the two rows of troubles: which stands, and since when.
struct Row {
    const Trouble* trouble = nullptr;
    double changed_s = 0.0, next_s = 0.0;
    std::uint64_t count = 0;
};

class World {
public:
    World(const Options& options, const formats::Configuration& configuration);

    /// One step on: weather, drive, troubles, then the amplifier.
    void advance();
    void scans(std::vector<core::Scan>& due) { instruments_.look(now(), due); }

    [[nodiscard]] double now_s() const noexcept { return now_s_; }
    [[nodiscard]] core::Instant now() const noexcept;
    [[nodiscard]] const bench::Truth& truth() { return bench_.amplifier().truth(); }
    [[nodiscard]] const Row& amplifier() const noexcept { return amplifier_; }
    [[nodiscard]] const Row& computer() const noexcept { return computer_; }
    [[nodiscard]] bool welded() const noexcept { return amplifier_.trouble != nullptr && amplifier_.trouble->welds; }
    /// Nothing is wrong, and it has had the time to settle after the last trouble.
    [[nodiscard]] bool is_fair() const noexcept;
    // ... and has been for some looks.
    [[nodiscard]] bool is_pad_in_order() const noexcept { return now_s_ - pad_amiss_s_ > looks_s; }
    [[nodiscard]] bool is_contactor_in_order() const noexcept { return now_s_ - contactor_amiss_s_ > looks_s; }
    [[nodiscard]] bool is_line_in_order() const noexcept { return is_pad_in_order() && is_contactor_in_order(); }
    /// The machine sleeps: the amplifier goes on, and no clock of the guard does but the boot clock.
    void sleep(double seconds);
    [[nodiscard]] core::Duration asleep() const noexcept { return core::Duration{asleep_ns_}; }
    /// Asked for by a trouble that begins with a cold start, or with a sleep; once.
    [[nodiscard]] bool take_restart();
    [[nodiscard]] bool take_sleep();
    [[nodiscard]] bool contactor_closed() const noexcept { return contactor_closed_; }  ///< its contacts
    [[nodiscard]] ContactFault contactor_fault() const noexcept;
    /// One of the other contacts has left its position within the last step, or is out of it.
    [[nodiscard]] bool contact_left() const noexcept { return contact_left_; }
    /// How many times as often as in a month's soak things happen.
    [[nodiscard]] double pace() const noexcept { return options_.only.empty() ? 1.0 : 8.0; }
    /// The bench's words for what it took amiss; empty.
    [[nodiscard]] const std::string& amiss() const noexcept { return amiss_; }

    Chance chance;
    Pad pad, contactor;  ///< of the inhibit line, and of the one that drops the supply
    Disk disk;
    bool low_power = false;  ///< the operator drives it no harder than commissioning bears

private:
    void weather();
    void air();
    void exciter();
    void change(Row& row, const std::vector<Trouble>& all, double mean_gap_s);
    void begin(const Trouble& trouble);
    static void set_pad(Pad& pad, PadFault fault);
    void supply();
    void contacts();
    void command(const char* text);

    Options options_;
    bench::Bench bench_;
    Contacts contacts_;
    Instruments instruments_;
    Row amplifier_, computer_;
    double now_s_ = 0.0, weather_ = 0.0, next_weather_s_ = 0.0, next_key_s_ = 0.0;
    std::int64_t now_ns_ = 0, asleep_ns_ = 0;
    double air_c_ = 20.0;     ///< where the amplifier's air goes
    double supply_v_ = 28.0;  ///< before the contactor
    bool supplied_ = true;
    bool coil_ = false, contactor_closed_ = false, contact_left_ = false;
    double coil_s_ = 0.0;
    static constexpr double looks_s = 3.0;
    double pad_amiss_s_ = -1e9, contactor_amiss_s_ = -1e9;  ///< last time
    bool keyed_ = false, restart_ = false, sleep_ = false;
    std::string amiss_;
};

}  // namespace dekeyd::soak
