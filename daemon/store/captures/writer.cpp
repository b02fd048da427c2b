#include "store/captures/writer.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <utility>

#include "base/sealed.hpp"
#include "store/captures/cells.hpp"

namespace dekeyd::formats {

using namespace capture;

namespace {

// For people: six digits are more than any sensor has.
void add_rounded(std::string& out, double value) {
    std::array<char, 32> digits{};
    const auto end =
        std::to_chars(digits.data(), digits.data() + digits.size(), value, std::chars_format::general, 6).ptr;
    out.append(digits.data(), end);
}

std::string in_brackets(std::string_view name, std::string_view unit) {
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

bool blank(const core::Sample& sample) {
    return sample.fault == core::Fault::not_in_scan && sample.value == 0.0 && sample.begun == core::Instant{};
}

bool has_openings(const core::Channel* channel) {
    return channel != nullptr && channel->kind == core::ChannelKind::contact;
}

}  // namespace

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
            text_.append(1, ',').append(in_brackets(name + " raw", unit));
            text_.append(1, ',').append(name).append(" taken (s)");
            if (has_openings(channel)) text_.append(1, ',').append(name).append(" openings");
        }
    }
    text_.append(",state");
    for (std::size_t i = 0; i < plan_.quantity_count(); ++i) {
        const core::QuantityInfo info = core::describe(plan_, static_cast<core::QuantityIndex>(i));
        text_.append(1, ',').append(in_brackets(info.id, core::symbol(info.unit)));
    }
    text_.push_back('\n');
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
            add_duration(text_, sample.begun - origin_);
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
            add_duration(text_, step.now - origin_);
            text_.push_back(',');
            add_duration(text_, step.suspended);
            text_.append(1, ',').append(line_word(step.line)).append(1, ',');
            text_.append(line_word(step.contactor_line)).append(1, ',');
            for (std::size_t i = 0; i < step.commands.size(); ++i) {
                if (i > 0) text_.push_back(';');
                add_command(text_, step.commands[i]);
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

}  // namespace dekeyd::formats
