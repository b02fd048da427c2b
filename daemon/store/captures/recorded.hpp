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

#include <cstddef>
#include <cstdint>
#include <string>
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
    std::uint64_t lost_before = 0;  ///< decisions that never reached the recorder: then replay may differ
    std::string state;              ///< Protection::state() before the first row
    std::string configuration;      ///< the text
    std::string folder;             ///< where the files that it names are (calibrations)
};

/// The channel that a sampler reads into this slot; nullptr for forward's second place and for none.
const core::Channel* channel_at(const core::Plan& plan, std::size_t sampler, std::size_t slot);

/// The names of a plan's slots, per sampler: a channel's id, "<id>-again" for forward's second place, else "-".
std::vector<std::vector<std::string>> slot_names(const core::Plan& plan);

}  // namespace dekeyd::formats
