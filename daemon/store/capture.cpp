#include "store/capture.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <istream>
#include <optional>
#include <utility>

#include "base/sealed.hpp"

namespace dekeyd::formats {
namespace {

constexpr std::string_view first_line = "# dekeyd-capture 3", first_line_1 = "# dekeyd-capture 1";
constexpr std::string_view first_line_2 = "# dekeyd-capture 2";  // all details at the top
constexpr std::string_view state_prefix = "#state ";
constexpr std::string_view configuration_prefix = "#configuration ";
constexpr std::string_view end_prefix = "#end ";
constexpr std::string_view fixed_columns =
    "step,t (s),suspended (s),line,contactor line,commands,contactor,decided,sampler";
constexpr std::string_view fixed_columns_1 = "step,t (s),line,commands,contactor,decided,sampler";
constexpr std::size_t longest_row = 1024UL * 1024;
constexpr std::size_t most_slots = 4096;
constexpr std::int64_t second_ns = 1'000'000'000;
constexpr std::int64_t largest_ns = 1'000'000'000 * second_ns;  // thirty years: sums and differences stay numbers

template <class T>
void add_number(std::string& out, T value) {
    std::array<char, 32> digits{};
    const auto end = std::to_chars(digits.data(), digits.data() + digits.size(), value).ptr;
    out.append(digits.data(), end);
}

// For people: six digits are more than any sensor has.
void add_rounded(std::string& out, double value) {
    std::array<char, 32> digits{};
    const auto end =
        std::to_chars(digits.data(), digits.data() + digits.size(), value, std::chars_format::general, 6).ptr;
    out.append(digits.data(), end);
}

template <class T>
std::optional<T> to_number(std::string_view text) {
    T value{};
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    if (text.empty() || error != std::errc{} || end != text.data() + text.size()) return std::nullopt;
    return value;
}

std::optional<core::Duration> to_duration(std::string_view text) {
    const bool negative = text.starts_with('-');
    if (negative) text.remove_prefix(1);
    const std::size_t dot = text.find('.');
    const auto whole = to_number<std::int64_t>(text.substr(0, dot));
    if (!whole || *whole < 0 || *whole > 1'000'000'000) return std::nullopt;
    std::int64_t ns = *whole * second_ns;
    if (dot != std::string_view::npos) {
        const std::string_view digits = text.substr(dot + 1);
        const auto part = to_number<std::int64_t>(digits);
        if (!part || *part < 0 || digits.size() > 9) return std::nullopt;
        std::int64_t scaled = *part;
        for (std::size_t place = digits.size(); place < 9; ++place) scaled *= 10;
        ns += scaled;
    }
    return core::Duration{negative ? -ns : ns};
}

std::optional<core::Command> to_command(std::string_view text) {
    const std::size_t first = text.find(' ');
    const std::size_t second = text.find(' ', first + 1);
    if (first == std::string_view::npos || second == std::string_view::npos) return std::nullopt;
    core::Command command;
    const auto kind = core::command_kind_words.find(text.substr(0, first));
    const std::size_t third = text.find(' ', second + 1);
    const bool of_limit = third != std::string_view::npos;
    const auto origin = to_number<unsigned>(text.substr(first + 1, second - first - 1));
    const auto id = to_number<std::uint32_t>(text.substr(second + 1, of_limit ? third - second - 1 : third));
    const auto limit = of_limit ? to_number<std::uint16_t>(text.substr(third + 1)) : std::optional<std::uint16_t>{0};
    if (!kind || !origin || *origin > static_cast<unsigned>(core::Origin::remote) || !id || !limit) return {};
    command.kind = *kind;
    command.origin = static_cast<core::Origin>(*origin);
    command.id = *id;
    command.limit = *limit;
    return command;
}

std::string_view line_word(const core::LineState& line) {
    if (!line.known) return line.permit ? "unknown-permit" : "unknown";
    return line.permit ? "permit" : "inhibit";
}

std::optional<core::LineState> to_line_state(std::string_view word) {
    for (const bool known : {false, true}) {
        for (const bool permit : {false, true}) {
            const core::LineState state{.known = known, .permit = permit};
            if (line_word(state) == word) return state;
        }
    }
    return std::nullopt;
}

/// Cell by cell.
class Cells {
public:
    explicit Cells(std::string_view row) : left_{row} {}
    std::string_view next() {
        if (done_) return {};
        const std::size_t comma = left_.find(',');
        const std::string_view cell = left_.substr(0, comma);
        done_ = comma == std::string_view::npos;
        if (!done_) left_.remove_prefix(comma + 1);
        return cell;
    }
    [[nodiscard]] bool done() const { return done_; }

private:
    std::string_view left_;
    bool done_ = false;
};

std::string with_unit_in_brackets(std::string_view name, std::string_view unit) {
    return unit.empty() ? std::string{name} : std::string{name}.append(" (").append(unit).append(")");
}

void add_lines(std::string& out, std::string_view prefix, std::string_view text) {
    while (!text.empty()) {
        const std::size_t end = text.find('\n');
        out.append(prefix).append(text.substr(0, end)).append(1, '\n');
        if (end == std::string_view::npos) return;
        text.remove_prefix(end + 1);
    }
}

const core::Channel* channel_at(const core::Plan& plan, std::size_t sampler, std::size_t slot) {
    for (const core::Channel& channel : plan.channels) {
        if (channel.sampler == sampler && channel.slot == slot) return &channel;
    }
    return nullptr;
}

bool blank(const core::Sample& sample) {
    return sample.fault == core::Fault::not_in_scan && sample.value == 0.0 && sample.begun == core::Instant{};
}

bool has_openings(const core::Channel* channel) {
    return channel != nullptr && channel->kind == core::ChannelKind::contact;
}

}  // namespace

core::StepInput RecordedStep::input(std::vector<core::Scan>& room) const {
    room.clear();
    for (const RecordedScan& scan : scans) room.push_back({.sampler = scan.sampler, .samples = scan.samples});
    return {.now = now,
            .scans = room,
            .commands = commands,
            .line = line,
            .suspended = suspended,
            .contactor = contactor_line};
}

std::vector<std::vector<std::string>> slot_names(const core::Plan& plan) {
    std::vector<std::vector<std::string>> names;
    const auto forward = plan.roles.forward;
    for (std::size_t sampler = 0; sampler < plan.samplers.size(); ++sampler) {
        auto& of_sampler = names.emplace_back();
        for (std::size_t slot = 0; slot < plan.samplers[sampler]; ++slot) {
            const core::Channel* channel = channel_at(plan, sampler, slot);
            const bool again = forward && plan.roles.reflected && plan.channels[*forward].sampler == sampler &&
                               plan.rf.forward_again_slot == slot;
            of_sampler.push_back(channel != nullptr ? channel->id
                                 : again            ? plan.channels[*forward].id + "-again"
                                                    : "-");
        }
    }
    return names;
}

// ---- writing ---------------------------------------------------------------------------------------------------

void CaptureWriter::note(std::string_view key, std::string_view value) {
    text_.append("# ").append(key).append(": ");
    for (const char c : value) text_.push_back(c == '\n' || c == '\r' ? ' ' : c);
    text_.push_back('\n');
}

void CaptureWriter::begin(const CaptureHeader& header) {
    // A recording may be cut short, and is nothing without its details.
    const bool details_last = header.kind != "recording";
    text_.append(details_last ? first_line : first_line_2).append(1, '\n');
    note("version", header.version);
    note("id", header.id);
    note("name", header.name);
    note("kind", header.kind);
    note("cause", header.cause);
    note("cause-step", std::to_string(header.cause_step));
    note("origin-ns", std::to_string(header.origin.time_since_epoch().count()));
    note("origin-utc", header.origin_wall);
    note("clock-synchronised", header.synchronised ? "yes" : "no");
    note("lost-before", std::to_string(header.lost_before));
    note("configuration-folder", header.folder);
    note("configuration-crc32", hex32(crc32(header.configuration)));
    std::string& details = details_last ? details_ : text_;
    add_lines(details, state_prefix, header.state);
    add_lines(details, configuration_prefix, header.configuration);
    add_columns();
}

void CaptureWriter::add_columns() {
    text_.append(fixed_columns);
    const auto names = slot_names(plan_);
    for (std::size_t sampler = 0; sampler < names.size(); ++sampler) {
        for (std::size_t slot = 0; slot < names[sampler].size(); ++slot) {
            const core::Channel* channel = channel_at(plan_, sampler, slot);
            const std::string name = std::to_string(sampler) + '.' + names[sampler][slot];
            const bool volts = channel == nullptr || channel->kind == core::ChannelKind::power;
            const std::string_view unit = core::symbol(volts ? core::Unit::volt : core::unit_of(channel->kind));
            text_.append(1, ',').append(with_unit_in_brackets(name + " raw", unit));
            text_.append(1, ',').append(name).append(" taken (s)");
            if (has_openings(channel)) text_.append(1, ',').append(name).append(" openings");
        }
    }
    text_.append(",state");
    for (std::size_t i = 0; i < plan_.quantity_count(); ++i) {
        const core::QuantityInfo info = core::describe(plan_, static_cast<core::QuantityIndex>(i));
        text_.append(1, ',').append(with_unit_in_brackets(info.id, core::symbol(info.unit)));
    }
    text_.push_back('\n');
}

void CaptureWriter::add_time(core::Instant at) {
    std::int64_t ns = (at - origin_).count();
    if (ns < 0) text_.push_back('-');
    if (ns < 0) ns = -ns;
    add_number(text_, ns / second_ns);
    std::int64_t part = ns % second_ns;
    if (part == 0) return;
    std::array<char, 10> digits{};
    digits[0] = '.';
    for (std::size_t place = 9; place > 0; --place, part /= 10) digits[place] = static_cast<char>('0' + part % 10);
    std::string_view shown{digits.data(), digits.size()};
    shown = shown.substr(0, shown.find_last_not_of('0') + 1);
    text_.append(shown);
}

void CaptureWriter::add_samples(const RecordedScan* scan) {
    for (std::size_t sampler = 0; sampler < plan_.samplers.size(); ++sampler) {
        for (std::size_t slot = 0; slot < plan_.samplers[sampler]; ++slot) {
            const bool counts = has_openings(channel_at(plan_, sampler, slot));
            const bool here = scan != nullptr && scan->sampler == sampler && slot < scan->samples.size() &&
                              !blank(scan->samples[slot]);
            text_.push_back(',');
            if (!here) {
                text_.append(counts ? ",," : ",");
                continue;
            }
            const core::Sample& sample = scan->samples[slot];
            if (sample.fault != core::Fault::none) text_.append(core::text(sample.fault)).append(1, '=');
            add_number(text_, sample.value);
            text_.push_back(',');
            add_time(sample.begun);
            if (!counts) continue;
            text_.push_back(',');
            add_number(text_, sample.openings);
        }
    }
}

void CaptureWriter::add(const RecordedStep& step, const core::Snapshot* after) {
    const std::size_t rows = std::max<std::size_t>(step.scans.size(), 1);
    for (std::size_t row = 0; row < rows; ++row) {
        const RecordedScan* scan = row < step.scans.size() ? &step.scans[row] : nullptr;
        if (row == 0) {
            add_number(text_, step.number);
            text_.push_back(',');
            add_time(step.now);
            text_.push_back(',');
            add_time(origin_ + step.suspended);
            text_.append(1, ',').append(line_word(step.line)).append(1, ',');
            text_.append(line_word(step.contactor_line)).append(1, ',');
            for (std::size_t i = 0; i < step.commands.size(); ++i) {
                const core::Command& command = step.commands[i];
                if (i > 0) text_.push_back(';');
                text_.append(core::text(command.kind)).append(1, ' ');
                add_number(text_, static_cast<unsigned>(command.origin));
                text_.push_back(' ');
                add_number(text_, command.id);
                if (command.kind == core::CommandKind::prove_limit) {
                    text_.push_back(' ');
                    add_number(text_, command.limit);
                }
            }
            text_.append(step.contactor ? ",1," : ",0,").append(step.permit ? "permit," : "inhibit,");
        } else {
            text_.append(",,,,,,,,");
        }
        if (scan != nullptr) add_number(text_, scan->sampler);
        add_samples(scan);
        text_.push_back(',');
        const bool readings = row == 0 && after != nullptr;
        if (readings) text_.append(core::text(after->state));
        for (std::size_t i = 0; i < plan_.quantity_count(); ++i) {
            text_.push_back(',');
            if (readings && after->quantities[i].measured()) add_rounded(text_, after->quantities[i].value);
        }
        text_.push_back('\n');
        ++rows_;
    }
}

std::string CaptureWriter::take() {
    sum_ = crc32(text_, sum_);
    std::string taken = std::move(text_);
    text_.clear();
    return taken;
}

void CaptureWriter::end() {
    text_.append(std::exchange(details_, {}));
    const std::uint32_t sum = crc32(text_, sum_);
    text_.append(end_prefix);
    add_number(text_, rows_);
    text_.append(1, ' ').append(hex32(sum)).append(1, '\n');
}

// ---- reading ---------------------------------------------------------------------------------------------------

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
            if (key == "cause-step") header_.cause_step = to_number<std::uint64_t>(value).value_or(0);
            if (key == "origin-ns") {
                const auto ns = to_number<std::int64_t>(value);
                if (!ns || *ns < -largest_ns || *ns > largest_ns) {
                    fail("origin-ns is no whole number of a clock's");
                    return;
                }
                header_.origin = core::Instant{core::Duration{*ns}};
            }
            if (key == "origin-utc") header_.origin_wall = value;
            if (key == "clock-synchronised") header_.synchronised = value == "yes";
            if (key == "configuration-folder") header_.folder = value;
            if (key == "lost-before") header_.lost_before = to_number<std::uint64_t>(value).value_or(0);
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
        const auto sampler = to_number<std::size_t>(name.substr(0, dot));
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
        const auto step_number = to_number<std::uint64_t>(number);
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
    const auto sampler = to_number<std::uint16_t>(sampler_text);
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
            const auto raw = to_number<double>(value);
            const auto begun = to_duration(taken);
            if (!raw || !std::isfinite(*raw) || !begun) return fail("a sample is no number, or has no time");
            sample.value = *raw;
            sample.begun = header_.origin + *begun;
            if (!openings.empty()) sample.openings = to_number<std::uint32_t>(openings).value_or(0);
        }
    }
    return true;
}

}  // namespace dekeyd::formats
