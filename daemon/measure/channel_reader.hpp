// One channel: from samples to a reading that may be believed, and its age.
#pragma once

#include <cstdint>
#include <optional>

#include "plan/plan.hpp"
#include "plan/reading.hpp"
#include "plan/scan.hpp"

namespace dekeyd::core {

/// Remembers the last believable reading. Nothing but a successful sample moves its age.
class ChannelReader {
public:
    explicit ChannelReader(const Channel& channel) noexcept;

    /// What one sample says by itself: window, saturation, conversion to the channel's unit. No memory. A sample that
    /// gives no value has health unknown and says why; one beyond the chain's upper end is above_range.
    [[nodiscard]] Reading convert(const Sample& sample, std::optional<double> temperature_c) const noexcept;
    /// Of a power channel: the uncertainty of a reading of it at k = 2, dB.
    [[nodiscard]] double uncertainty_db(const Reading& reading) const noexcept;

    /// True when the sample gave a reading. A sample that didn't leaves the last one in place until it is too old.
    bool add(const Sample& sample, Instant now, std::optional<double> temperature_c) noexcept;
    /// The same where the sample has been converted already.
    bool add(const Sample& sample, Reading reading, Instant now) noexcept;

    /// The reading as of `now`: the last believable one while it is young enough, otherwise unknown with the reason.
    [[nodiscard]] Reading at(Instant now) const noexcept;
    /// Until when at() and frozen() say the same without another sample.
    [[nodiscard]] Instant stands_until(Instant now) const noexcept;

    /// What was read is no reading any more, and confirms none: as before the first one.
    void forget() noexcept {
        seen_ = false;
        fault_ = Fault::stale;
        candidate_.reset();
    }

    [[nodiscard]] Fault last_fault() const noexcept { return fault_; }
    [[nodiscard]] bool frozen(Instant now) const noexcept;

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.last_, self.fault_, self.candidate_, self.candidate_at_, self.unchanged_value_, self.unchanged_since_,
          self.openings_, self.doubt_, self.seen_);
    }

private:
    [[nodiscard]] Reading convert_power(double volts, Instant begun,
                                        std::optional<double> temperature_c) const noexcept;
    [[nodiscard]] Reading beyond(Fault fault, Instant begun) const noexcept;
    bool believable(double value, Instant begun) noexcept;
    bool confirmed(double value, Instant begun) noexcept;
    void note_change(double value, Instant begun) noexcept;

    const Channel* channel_;
    double uncertainty_db_ = 0.0;
    double lower_ = 1.0, upper_ = 1.0;  ///< factors from a power to the ends of its interval, where it has one for all
    double lost_lower_ = 1.0, lost_upper_ = 1.0;  ///< further ones while the chain's temperature isn't known
    double ceiling_w_ = 0.0, ceiling_low_w_ = 0.0;
    Reading last_;                     ///< the last believable one
    Fault fault_ = Fault::never_read;  ///< of the newest sample
    std::optional<double> candidate_;  ///< a jump that waits for its second reading
    Instant candidate_at_{};
    double unchanged_value_ = 0.0;
    Instant unchanged_since_{};
    std::uint32_t openings_ = 0;
    std::uint8_t doubt_ = 0;  ///< account of unconfirmed samples, which believed ones pay off slowly
    bool seen_ = false;       ///< a sample was believed
};

}  // namespace dekeyd::core
