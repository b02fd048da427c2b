// A capture's curves, thinned so far that they fit into one message: what a page draws of a trip's seconds before and
// after. The capture itself has every step and is what a replay needs.
//
// Time is cut into spans, 5 ms at the trip and wider away from it. A span with one step gives that step; one with more
// gives each quantity's lowest and highest value in the order in which they came, at the span's first and last step.
// So no peak is lost, and none is moved by more than its span.
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "core/protection.hpp"
#include "store/captures/recorded.hpp"

namespace dekeyd::formats {

class CaptureOutline {
public:
    static constexpr std::size_t most_quantities = 12;
    static constexpr std::size_t most_bytes = 64UL * 1024;

    /// `first`, `last`: the times of the steps that will come. `plan` must outlive this.
    CaptureOutline(const core::Plan& plan, core::Instant origin, core::Instant first, core::Instant last,
                   core::SourceIndex source);
    /// Each step in order.
    void add(const core::Snapshot& after, bool permit);
    /// One JSON object: at_s (the trip, on the clock of the events), wall, cause, source, watch, level and direction
    /// (null where no limit tripped), permit (its changes as pairs of time and value), t (seconds from the trip) and
    /// quantities with a value or null for each t. Below `most_bytes`.
    std::string text(const CaptureHeader& header);

private:
    struct Span {
        double low = 0.0, high = 0.0;
        bool any = false, low_first = true;
    };
    [[nodiscard]] std::int64_t span_of(double t) const noexcept;
    void put_span();

    const core::Plan& plan_;
    core::Instant origin_;
    double before_step_s_, after_step_s_;  ///< width of the spans far from the trip
    core::SourceIndex source_;
    std::vector<core::QuantityIndex> quantities_;
    std::vector<Span> now_;
    std::int64_t number_ = 0;  ///< of the span being gathered
    std::size_t steps_ = 0;    ///< in it
    std::uint64_t all_steps_ = 0;
    double first_t_ = 0.0, last_t_ = 0.0;
    std::vector<double> t_;
    std::vector<std::vector<double>> values_;  ///< per quantity; NaN: not measured
    std::vector<std::pair<double, bool>> permit_;
};

}  // namespace dekeyd::formats
