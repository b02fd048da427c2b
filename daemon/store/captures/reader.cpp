#include "store/captures/reader.hpp"

#include <algorithm>
#include <cmath>
#include <istream>
#include <utility>

#include "base/sealed.hpp"
#include "plan/number_text.hpp"
#include "store/captures/cells.hpp"

namespace dekeyd::formats {

using namespace capture;

namespace {

constexpr std::size_t longest_row = 1024UL * 1024;
constexpr std::size_t most_slots = 4096;
constexpr std::int64_t largest_ns = 1'000'000'000'000'000'000;  // thirty years: sums and differences stay numbers

}  // namespace

CaptureReader::CaptureReader(std::istream& in) : in_{in} {
    const bool begun = read_line();
    first_format_ = begun && line_ == first_line_1;
    details_last_ = begun && line_ == first_line;
    if (!begun || (line_ != first_line_2 && !details_last_ && !first_format_)) {
        fail("not a capture of dekeyd: expected the first line '" + std::string{first_line} + "'");
        return;
    }
    while (read_line()) {
        const std::string_view row = line_;
        if (take_detail(row)) continue;
        if (row.starts_with("# ")) {
            const std::size_t colon = row.find(": ");
            if (colon == std::string_view::npos) continue;
            const std::string_view key = row.substr(2, colon - 2);
            const std::string_view value = row.substr(colon + 2);
            if (key == "version") header_.version = value;
            if (key == "id") header_.id = value;
            if (key == "name") header_.name = value;
            if (key == "kind") header_.kind = value;
            if (key == "cause") header_.cause = value;
            if (key == "cause-step") header_.cause_step = core::to_number<std::uint64_t>(value).value_or(0);
            if (key == "origin-ns") {
                const auto ns = core::to_number<std::int64_t>(value);
                if (!ns || *ns < -largest_ns || *ns > largest_ns) {
                    fail("origin-ns is no whole number of a clock's");
                    return;
                }
                header_.origin = core::Instant{core::Duration{*ns}};
            }
            if (key == "origin-utc") header_.origin_wall = value;
            if (key == "clock-synchronised") header_.synchronised = value == "yes";
            if (key == "configuration-folder") header_.folder = value;
            if (key == "lost-before") header_.lost_before = core::to_number<std::uint64_t>(value).value_or(0);
        } else if (row.starts_with(first_format_ ? fixed_columns_1 : fixed_columns)) {
            if (!parse_columns(row)) fail("the column names are not those of a capture");
            if (details_last_) find_details();
            return;
        } else {
            break;
        }
    }
    fail("the line of column names is missing");
}

bool CaptureReader::take_detail(std::string_view row) {
    for (const auto& [prefix, text] :
         {std::pair{state_prefix, &header_.state}, std::pair{configuration_prefix, &header_.configuration}}) {
        if (!row.starts_with(prefix)) continue;
        text->append(row.substr(prefix.size())).append(1, '\n');
        return true;
    }
    return false;
}

// They are needed before the first row: looked for from here on, and then back.
void CaptureReader::find_details() {
    const auto here = in_.tellg();
    std::string line;
    while (std::getline(in_, line) && !in_.eof()) {
        if (crlf_ && line.ends_with('\r')) line.pop_back();
        if (line.size() <= longest_row && line.starts_with('#')) take_detail(line);
    }
    in_.clear();
    if (here == std::istream::pos_type(-1) || !in_.seekg(here)) fail("it can't be read twice; expected a file");
}

bool CaptureReader::fail(std::string what) {
    if (trouble_.empty()) trouble_ = "line " + std::to_string(line_number_) + ": " + std::move(what);
    return false;
}

// A last line without its line break is half a line and counts as none.
bool CaptureReader::read_line() {
    if (!std::getline(in_, line_) || in_.eof() || line_.size() > longest_row) return false;
    ++line_number_;
    // A program of another system may have changed all line breaks; the sum is that of the text as it was written.
    if (line_number_ == 1) crlf_ = line_.ends_with('\r');
    if (crlf_ && line_.ends_with('\r')) line_.pop_back();
    if (!line_.starts_with(end_prefix)) {
        sum_ = crc32(line_, sum_);
        sum_ = crc32("\n", sum_);
    }
    return true;
}

bool CaptureReader::parse_columns(std::string_view row) {
    Cells cells{row};
    const std::string_view fixed = first_format_ ? fixed_columns_1 : fixed_columns;
    for (auto n = std::count(fixed.begin(), fixed.end(), ','); n >= 0; --n) cells.next();
    std::size_t total = 0;
    while (!cells.done()) {
        const std::string_view name = cells.next();
        if (name == "state") return true;
        const std::size_t dot = name.find('.');
        const std::size_t blank = name.find(' ');
        if (dot == std::string_view::npos || blank == std::string_view::npos || blank < dot) return false;
        const auto sampler = core::to_number<std::size_t>(name.substr(0, dot));
        if (!sampler || *sampler > 255 || ++total > most_slots) return false;
        const std::string_view what = name.substr(blank + 1);
        if (*sampler >= slots_.size()) {
            slots_.resize(*sampler + 1);
            counts_.resize(*sampler + 1);
        }
        if (what.starts_with("raw")) {
            slots_[*sampler].emplace_back(name.substr(dot + 1, blank - dot - 1));
            counts_[*sampler].push_back(false);
        } else if (what == "openings" && !counts_[*sampler].empty()) {
            counts_[*sampler].back() = true;
        }
    }
    return false;
}

bool CaptureReader::next(RecordedStep& step) {
    if (!trouble_.empty() || complete_) return false;
    if (!row_waits_ && !read_line()) return false;
    row_waits_ = false;
    bool first = true;
    for (;;) {
        const std::string_view row = line_;
        if (row.starts_with(end_prefix)) {
            complete_ = row.substr(end_prefix.size()) == std::to_string(rows_) + ' ' + hex32(sum_);
            if (!complete_) fail("the end line's count or checksum doesn't fit what stands before it");
            return !first;
        }
        if (details_last_ && row.starts_with('#')) {  // state and configuration, read already
            if (!read_line()) return false;
            continue;
        }
        if (!first && !row.starts_with(',')) {
            row_waits_ = true;
            return true;
        }
        if (!parse_row(row, step, first)) return false;
        ++rows_;
        first = false;
        // Cut short: the step may lack scans, so it isn't believed.
        if (!read_line()) return false;
    }
}

/// Format 1 doesn't say how the contactor's line was read back: as the step before had told it.
std::optional<core::LineState> CaptureReader::as_told(bool closed) {
    const bool before = std::exchange(contactor_told_, std::optional{closed}).value_or(closed);
    return core::LineState{.known = true, .permit = before};
}

bool CaptureReader::parse_row(std::string_view row, RecordedStep& step, bool first) {
    Cells cells{row};
    const std::string_view number = cells.next(), time = cells.next();
    const std::string_view suspended = first_format_ ? "0" : cells.next(), line = cells.next();
    const std::string_view contactor_line = first_format_ ? std::string_view{} : cells.next(), commands = cells.next();
    const std::string_view contactor = cells.next(), decided = cells.next(), sampler_text = cells.next();
    if (first) {
        const auto step_number = core::to_number<std::uint64_t>(number);
        const auto at = to_duration(time);
        const auto state = to_line_state(line);
        const auto contactor_state = first_format_ ? as_told(contactor == "1") : to_line_state(contactor_line);
        const auto slept = to_duration(suspended);
        if (!step_number || !at || !slept || !state || !contactor_state ||
            (decided != "permit" && decided != "inhibit")) {
            return fail("expected a step's number, time, line and decision");
        }
        step.number = *step_number;
        step.now = header_.origin + *at;
        step.line = *state;
        step.contactor_line = *contactor_state;
        step.suspended = *slept;
        step.permit = decided == "permit";
        step.contactor = contactor == "1";
        step.scans.clear();
        step.commands.clear();
        for (std::string_view left = commands; !left.empty();) {
            const std::size_t end = left.find(';');
            const auto command = to_command(left.substr(0, end));
            if (!command) return fail("unknown command '" + std::string{left.substr(0, end)} + "'");
            step.commands.push_back(*command);
            left = end == std::string_view::npos ? std::string_view{} : left.substr(end + 1);
        }
    }
    if (sampler_text.empty()) return first ? true : fail("a row without step and sampler");
    const auto sampler = core::to_number<std::uint16_t>(sampler_text);
    if (!sampler || *sampler >= slots_.size()) return fail("no such sampler");
    RecordedScan& scan = step.scans.emplace_back();
    scan.sampler = *sampler;
    for (std::size_t other = 0; other <= *sampler; ++other) {
        for (std::size_t slot = 0; slot < slots_[other].size(); ++slot) {
            std::string_view value = cells.next();
            const std::string_view taken = cells.next();
            const std::string_view openings = counts_[other][slot] ? cells.next() : std::string_view{};
            if (other != *sampler) continue;
            core::Sample& sample = scan.samples.emplace_back();
            if (value.empty()) continue;
            sample.fault = core::Fault::none;
            if (const std::size_t equal = value.find('='); equal != std::string_view::npos) {
                const auto fault = core::fault_words.find(value.substr(0, equal));
                if (!fault) return fail("unknown fault '" + std::string{value.substr(0, equal)} + "'");
                sample.fault = *fault;
                value.remove_prefix(equal + 1);
            }
            const auto raw = core::to_number<double>(value);
            const auto begun = to_duration(taken);
            if (!raw || !std::isfinite(*raw) || !begun) return fail("a sample is no number, or has no time");
            sample.value = *raw;
            sample.begun = header_.origin + *begun;
            if (!openings.empty()) sample.openings = core::to_number<std::uint32_t>(openings).value_or(0);
        }
    }
    return true;
}

}  // namespace dekeyd::formats
