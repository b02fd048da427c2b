// Measurement: whole scans in; every quantity as of now out, with the counts of each channel. Judges nothing.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "maths/kept.hpp"
#include "maths/rf.hpp"
#include "maths/uncertainty.hpp"
#include "measure/average.hpp"
#include "measure/channel_reader.hpp"
#include "measure/derived.hpp"
#include "measure/forecast.hpp"
#include "measure/power_window.hpp"
#include "plan/plan.hpp"
#include "plan/quantities.hpp"
#include "plan/reading.hpp"
#include "plan/scan.hpp"
#include "plan/standing.hpp"

namespace dekeyd::core {

/// What a channel has done since start; faults with RF present and absent apart, since RF in a cable shows so.
struct ChannelCount {
    std::uint64_t good_keyed = 0, good_idle = 0, faults_keyed = 0, faults_idle = 0;
    Fault last_fault = Fault::none;
    bool lost = true;     ///< no reading that may be believed
    bool frozen = false;  ///< bit-identical for longer than configured
    bool told = false;    ///< `lost` has its event

    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.good_keyed, self.good_idle, self.faults_keyed, self.faults_idle, self.last_fault, self.lost, self.frozen,
          self.told);
    }
};

/// What forward and reflected say together.
struct BracketLook {
    Bracket bracket;
    BracketState state = BracketState::edge;
};

class Measurement {
public:
    /// `plan` must outlive this, and its indices fit. Nothing is allocated after.
    explicit Measurement(const Plan& plan);

    /// `keyed`: RF is present, which the counts tell apart. What a scan brings is news until no_news().
    void absorb(const Scan& scan, Instant now, bool keyed) noexcept;
    /// Of the last scan; empty where it had not both.
    [[nodiscard]] const std::optional<BracketLook>& bracket() const noexcept { return bracket_; }
    /// True, with news, about once a second.
    bool forecast(Instant now, const std::optional<Instant>& transmitting_since, const Moment& moment) noexcept;
    void grow_old(Instant now) noexcept;
    /// Works out what nothing decides by, of the last scans: for whoever looks at quantities().
    void show() noexcept;
    /// The machine slept until `now`: what was begun before it tells nothing.
    void wake(Instant now) noexcept { awake_since_ = now; }
    /// After a sleep: each reading may be hours old, though the monotonic clock calls it fresh.
    void forget_readings() noexcept;

    [[nodiscard]] std::span<const Reading> quantities() const noexcept { return quantities_; }
    [[nodiscard]] std::span<const ChannelCount> counts() const noexcept { return counts_; }
    [[nodiscard]] bool has_news(QuantityIndex quantity) const noexcept { return news_[quantity] != 0; }
    void no_news() noexcept { std::fill(news_.begin(), news_.end(), std::uint8_t{0}); }

    /// Empty where the plan has no channel of that role.
    [[nodiscard]] const Reading* role(const std::optional<std::uint16_t>& channel) const noexcept;
    /// Empty where the plan has not what it takes.
    [[nodiscard]] const Reading* known(Derived derived) const noexcept;
    /// The sum over the amplifier's feeds, where it has more than one.
    [[nodiscard]] Reading all_currents() const noexcept;
    /// The fans' worst, by which the heat forecast takes all of them: one that isn't known, else the slowest.
    [[nodiscard]] const Reading* slowest_fan() const noexcept;
    [[nodiscard]] RfLook rf() const noexcept;
    [[nodiscard]] bool rf_absent() const noexcept;
    /// True also where drive isn't measured.
    [[nodiscard]] bool drive_absent() const noexcept;

    // ---- its state, for captures, by the ids of channels and quantities ----

    [[nodiscard]] ChannelReader& channel(std::size_t index) noexcept {
        stands_until_ = Instant::min();
        return channels_[index];
    }
    [[nodiscard]] const ChannelReader& channel(std::size_t index) const noexcept { return channels_[index]; }
    [[nodiscard]] ChannelCount& count(std::size_t index) noexcept { return counts_[index]; }
    [[nodiscard]] Reading& quantity(std::size_t index) noexcept {
        stands_until_ = Instant::min();
        rf_.reset();
        return quantities_[index];
    }
    [[nodiscard]] Forecaster& forecaster() noexcept { return forecaster_; }
    [[nodiscard]] const Forecaster& forecaster() const noexcept { return forecaster_; }
    [[nodiscard]] BracketAverage& average() noexcept { return average_; }
    [[nodiscard]] const BracketAverage& average() const noexcept { return average_; }
    [[nodiscard]] PowerWindow& window() noexcept { return window_; }
    [[nodiscard]] const PowerWindow& window() const noexcept { return window_; }
    [[nodiscard]] std::optional<Instant>& awake_since() noexcept { return awake_since_; }
    [[nodiscard]] const std::optional<Instant>& awake_since() const noexcept { return awake_since_; }

private:
    /// A reading, and the temperature by which its chain was corrected.
    struct Converted {
        Reading reading;
        std::optional<double> temperature_c;
    };
    [[nodiscard]] bool of_before_sleep(const Scan& scan) const noexcept;
    void tally(std::uint16_t channel, Fault fault) noexcept;
    void take_forward(const Scan& scan, const std::optional<Converted>& reflected, Instant now) noexcept;
    [[nodiscard]] Reading convert(std::uint16_t channel, const Sample& sample) const noexcept;
    [[nodiscard]] std::optional<double> temperature_for(const Channel& channel) const noexcept;
    void derive_rf(const Bracket& bracket) noexcept;
    void derive_from_average(const Bracket& bracket) noexcept;
    void tell_no_ratio(Fault fault) noexcept;
    [[nodiscard]] double ratio_db(const Bracket& bracket) const noexcept;
    void derive_window(double mean_w) noexcept;
    void work_out_window(std::span<const Derived> which) noexcept;
    void derive_power() noexcept;
    /// One that isn't known, of the amplifier's supplies and currents; none: all are.
    [[nodiscard]] const Reading* lost_feed() const noexcept;
    void work_out(std::span<const Derived> which, const FormulaInputs& around) noexcept;
    [[nodiscard]] FormulaInputs of_scan() const noexcept;
    [[nodiscard]] bool decides(const DerivedRule& rule) const noexcept;
    [[nodiscard]] Duration allowed_age(const DerivedRule& rule) const noexcept;
    void refresh(std::uint16_t channel, Instant now) noexcept;
    void stands_for(Duration age, Instant taken) noexcept;
    void tell(const Reflections& reflections, const Reading& forward, const Reading& drive, bool means) noexcept;
    [[nodiscard]] Reading newest(const std::optional<std::uint16_t>& channel) const noexcept;

    const Plan& plan_;
    std::vector<std::vector<std::uint16_t>> channel_at_;  ///< [sampler][slot] -> channel, or no_channel
    std::vector<ChannelReader> channels_;
    LineFactors line_;
    std::array<bool, derived_count> known_{};  ///< the plan has what it is worked out from
    /// The known ones, each in its order: those that something decides by, and those that are only looked at.
    struct WorkedOut {
        std::vector<Derived> decide, only_shown;
    };
    std::array<WorkedOut, occasion_count> worked_out_;
    std::array<Duration, derived_count> derived_age_{};  ///< how old each may grow
    std::vector<std::uint8_t> news_;                     ///< per quantity
    std::vector<Reading> quantities_;                    ///< channels, then Derived
    std::vector<ChannelCount> counts_;
    Forecaster forecaster_;
    BracketAverage average_;  ///< where the emission's envelope moves
    PowerWindow window_;
    std::optional<BracketLook> bracket_;
    /// What the last scan's quantities are worked out from: at once, or when they are looked at.
    struct ScanInputs {
        Reflections reflections;
        Reading forward{}, drive{}, heatsink{};  ///< as they were with the scan
        bool means = false;                      ///< forward and drive are means over scans
        bool unshown = false;                    ///< some are not worked out yet
    };
    ScanInputs scan_;
    Reading window_forward_;  ///< the window's last reading
    bool window_unshown_ = false;
    Instant stands_until_ = Instant::min();  ///< until then nothing grows too old, or freezes, that isn't
    std::optional<Instant> awake_since_;     ///< after the last sleep
    // A sum of decibels is the same from scan to scan, unless a detector was compared with a reference.
    Kept<ratio_amplitude_of_two> ratio_factor_;
    Kept<power_factor> window_mean_factor_, window_peak_factor_;
    mutable std::optional<RfLook> rf_;  ///< of forward and reflected as they are; empty: not looked at yet
    bool keyed_ = false;
};

}  // namespace dekeyd::core
