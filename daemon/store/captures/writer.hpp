// Writes a capture, piece by piece.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "store/captures/recorded.hpp"

namespace dekeyd::formats {

/// Writes header, rows and end, piece by piece, into a string that the caller may empty in between.
class CaptureWriter {
public:
    /// `plan` must outlive this.
    CaptureWriter(const core::Plan& plan, core::Instant origin) : plan_{plan}, origin_{origin} {}
    void begin(const CaptureHeader& header);
    /// `after`: the snapshot after the step, for the readings; nullptr: none.
    void add(const RecordedStep& step, const core::Snapshot* after);
    void end();
    [[nodiscard]] std::string& text() noexcept { return text_; }
    /// Hands over what has been written since the last time.
    std::string take();

private:
    void note(std::string_view key, std::string_view value);
    void add_columns();
    void add_samples(const RecordedScan* scan);
    const core::Plan& plan_;
    core::Instant origin_;
    std::string text_;
    std::string details_;  ///< what goes behind the rows
    std::uint32_t sum_ = 0;
    std::uint64_t rows_ = 0;
};

}  // namespace dekeyd::formats
