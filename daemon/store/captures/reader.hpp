// Reads a capture, step by step.
#pragma once

#include <cstdint>
#include <iosfwd>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "store/captures/recorded.hpp"

namespace dekeyd::formats {

/// Reads a capture line by line; a long recording needs no memory for all of it.
class CaptureReader {
public:
    /// Reads up to the column names. `in` must outlive this.
    explicit CaptureReader(std::istream& in);
    /// Empty, or what is wrong with the file, with the line's number.
    [[nodiscard]] const std::string& trouble() const noexcept { return trouble_; }
    [[nodiscard]] const CaptureHeader& header() const noexcept { return header_; }
    /// The names of each sampler's slots: they must fit the plan that decides.
    [[nodiscard]] const std::vector<std::vector<std::string>>& slots() const noexcept { return slots_; }
    /// The next whole step. False at the end, or at trouble.
    bool next(RecordedStep& step);
    /// The end line was there and its sum is right.
    [[nodiscard]] bool complete() const noexcept { return complete_; }

private:
    bool read_line();
    bool fail(std::string what);
    std::optional<core::LineState> as_told(bool closed);
    bool parse_row(std::string_view row, RecordedStep& step, bool first);
    bool parse_columns(std::string_view row);
    bool take_detail(std::string_view row);
    void find_details();
    std::istream& in_;
    CaptureHeader header_;
    std::vector<std::vector<std::string>> slots_;
    std::vector<std::vector<bool>> counts_;  ///< per slot: it has a column of openings
    bool first_format_ = false;              ///< no contactor's level
    bool details_last_ = false;              ///< state and configuration stand behind the rows
    bool crlf_ = false;                      ///< lines end as those of another system
    std::optional<bool> contactor_told_;     ///< by the step before
    std::string line_;
    std::string trouble_;
    std::uint64_t line_number_ = 0;
    std::uint64_t rows_ = 0;
    std::uint32_t sum_ = 0;
    bool row_waits_ = false;
    bool complete_ = false;
};

}  // namespace dekeyd::formats
