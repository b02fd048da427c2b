// A capture: what the guard saw and decided, step by step, as one CSV from which it can be decided again.
//
// Lines that begin with '#' are no rows: `# key: value` at the top; `#state ` and `#configuration ` lines hold the
// core's state before the first row and the configuration text, line by line: of a trip behind the rows, so that a
// spreadsheet shows the column names in its first rows; of a recording, which may be cut short, at the top. After the
// top come a line of column names and the rows: one for each scan, in the order of arrival, or one for a step without a
// scan; the first row of a step has its number, time, line, commands and what was decided. Times are seconds from the
// header's origin, to the nanosecond; numbers are the shortest that read back as the same bits. Columns behind
// `decided` are for people (readings after the step) and are not read back. Formats 1 and 2 are still read: the first
// hadn't the level of the contactor's line, nor a sleep; both had all details at the top, as recordings still do. Line
// breaks may have become those of another system. The last line,
// `#end <rows> <crc32>`, proves that all of it is there.
#pragma once

#include <cstdint>
#include <iosfwd>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/protection.hpp"

namespace dekeyd::formats {

struct RecordedScan {
    std::uint16_t sampler = 0;
    std::vector<core::Sample> samples;
};

/// One decision: all that went in, and what came out.
struct RecordedStep {
    std::uint64_t number = 0;  ///< counts the guard's decisions; a gap means that some were lost
    core::Instant now{};
    core::LineState line, contactor_line;
    core::Duration suspended{};
    bool permit = false;
    bool contactor = false;
    std::vector<RecordedScan> scans;
    std::vector<core::Command> commands;

    /// For Protection::step(); `scans` is the room for the spans.
    [[nodiscard]] core::StepInput input(std::vector<core::Scan>& room) const;
};

struct CaptureHeader {
    std::string version;  ///< of the program that wrote it
    std::string id, name;
    std::string kind;               ///< "trip" or "recording"
    std::string cause;              ///< a sentence
    std::uint64_t cause_step = 0;   ///< number of the step that tripped; 0: none
    core::Instant origin{};         ///< time 0 of the rows
    std::string origin_wall;        ///< the same, ISO 8601 UTC
    bool synchronised = false;      ///< the clock was set by a time source
    std::uint64_t lost_before = 0;  ///< decisions that never reached the follower: then replay may differ
    std::string state;              ///< Protection::state() before the first row
    std::string configuration;      ///< the text
    std::string folder;             ///< where the files that it names are (calibrations)
};

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
    void add_time(core::Instant at);
    const core::Plan& plan_;
    core::Instant origin_;
    std::string text_;
    std::string details_;  ///< what goes behind the rows
    std::uint32_t sum_ = 0;
    std::uint64_t rows_ = 0;
};

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

/// The names of a plan's slots, per sampler: a channel's id, "<id>-again" for forward's second place, else "-".
std::vector<std::vector<std::string>> slot_names(const core::Plan& plan);

}  // namespace dekeyd::formats
