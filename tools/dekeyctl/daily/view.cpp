#include "dekeyctl/daily/view.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <utility>

#include "dekeyctl/daily/limit_lines.hpp"
#include "dekeyctl/daily/status_words.hpp"
#include "dekeyctl/text.hpp"
#include "plan/events.hpp"

namespace dekeyd::ctl {
namespace {

constexpr std::size_t widest = 200;  // wider lines are harder to read, not easier
constexpr std::size_t foot = 1;      // the line that says how to leave

void add_banner(std::vector<Line>& lines, const Picture& picture, std::size_t width) {
    const bool heard = picture.status && picture.trouble.empty() && picture.status_age_s <= news_is_old_s;
    Line line;
    std::string words;
    if (!heard) {
        line.push_back({" NOT KNOWN ", Tone::banner_doubt});
        words = !picture.trouble.empty() ? "no news from dekeyd"
                : picture.status         ? fmt::format("no news from dekeyd for {}", time_words(picture.status_age_s))
                                         : "waiting for dekeyd";
    } else if (picture.status->permit) {
        line.push_back({" PERMIT ", Tone::banner_permit});
        words = "may transmit";
    } else {
        line.push_back({" INHIBIT ", Tone::banner_inhibit});
        words = picture.status->state + ": may not transmit";
    }
    line.push_back({" " + words, Tone::strong});
    if (picture.status && !picture.status->name.empty()) {
        const std::size_t used = columns_of(line);
        const std::string& name = picture.status->name;
        if (used + 3 + columns(name) <= width)
            line.push_back({std::string(width - used - columns(name), ' ') + name, Tone::plain});
    }
    lines.push_back(std::move(line));

    std::string why;
    if (!heard)
        why = picture.trouble.empty() ? "All values below are old; the amplifier obeys the line, not this screen."
                                      : picture.trouble;
    else
        why = picture.status->reason;
    if (why.empty() && heard) why = picture.status->permit ? "No cause stands." : "No reason was given.";
    for (std::string& row : wrap(why, width)) lines.push_back({{std::move(row), Tone::plain}});
    if (!heard) return;
    for (std::string& row : wrap(unsaved_words(*picture.status), width))
        if (!row.empty()) lines.push_back({{std::move(row), Tone::caution}});
    for (std::string& row : wrap(picture.status->advice.value_or(""), width))
        if (!row.empty()) lines.push_back({{std::move(row), Tone::caution}});
}

// At most `room` lines: what doesn't fit is clipped or counted.
void add_causes(std::vector<Line>& lines, const Status& status, std::size_t width, std::size_t room) {
    if (width < 3) return;
    const std::size_t end = lines.size() + room;
    for (std::size_t i = 0; i < status.causes.size() && lines.size() < end; ++i) {
        const std::size_t left = end - lines.size();
        const bool more = i + 1 < status.causes.size();
        if (left == 1 && more) {
            lines.push_back({{fmt::format("  and {} more causes", status.causes.size() - i), Tone::danger}});
            return;
        }
        const std::string words = cause_words(status, status.causes[i]);
        std::vector<std::string> rows = wrap(words, width - 2);
        if (rows.size() + (more ? 1 : 0) > left) rows = {cause_words(status, status.causes[i], width - 2)};
        for (const std::string& row : rows) lines.push_back({{"  " + row, Tone::danger}});
    }
}

std::string stamp(const EventLine& event) {
    // "2026-05-01T10:20:30.123Z" -> the time of day; without a set clock, seconds since the machine's start.
    if (event.synchronised && event.wall.size() >= 19) {
        std::string day = event.wall.substr(11);
        return day.size() > 12 ? day.substr(0, 12) : day;
    }
    return fmt::format("{:.3f} s", event.at_s);
}

Tone tone_of(const EventLine& event) {
    if (event.severity == core::text(core::Severity::alarm)) return Tone::danger;
    if (event.severity == core::text(core::Severity::warning)) return Tone::caution;
    return event.severity == core::text(core::Severity::good) ? Tone::good : Tone::plain;
}

Line heading(std::string words, std::size_t width) {
    std::string text = fmt::format("─ {} ", words);
    const std::size_t used = columns(text);
    for (std::size_t i = used; i < width; ++i) text += "─";
    return {{std::move(text), Tone::plain}};
}

/// The lines between what is there and the foot.
std::size_t free_lines(const std::vector<Line>& lines, const Look& frame) {
    return frame.height > lines.size() + foot ? frame.height - lines.size() - foot : 0;
}

/// Whole values on a line, never a name torn from its number.
std::vector<std::string> value_rows(const Status& status, std::size_t width) {
    std::vector<std::string> rows;
    for (const std::string& text : other_values(status)) {
        if (rows.empty() || columns(rows.back()) + 3 + columns(text) > width)
            rows.push_back(text);
        else
            rows.back() += " · " + text;
    }
    return rows;
}

void add_other_values(std::vector<Line>& lines, const Status& status, const Look& frame) {
    const std::size_t room = free_lines(lines, frame);
    if (room <= 4) return;
    std::vector<std::string> rows = value_rows(status, frame.width);
    if (rows.size() > room / 3) rows.resize(std::max<std::size_t>(room / 3, 1));
    for (std::string& row : rows) lines.push_back({{std::move(row), Tone::plain}});
    for (std::string& row : wrap(health_words(status), frame.width)) lines.push_back({{std::move(row), Tone::plain}});
}

void add_status(std::vector<Line>& lines, const Status& status, const Look& frame) {
    add_causes(lines, status, frame.width, frame.height >= 30 ? 6 : 3);
    if (status.settling_left_s > 0.0)
        lines.push_back(
            {{fmt::format("  settling: {} of good readings still needed", time_words(status.settling_left_s)),
              Tone::plain}});
    lines.push_back(
        heading(frame.width >= 75 ? "how far from the limits (T trip, w warn, c clear)" : "T trip  w warn  c clear",
                frame.width));
    for (Line& line : limit_lines(status, frame)) lines.push_back(std::move(line));
    if (const std::string nearest = nearest_words(status); !nearest.empty())
        lines.push_back({{clip(nearest, frame.width), Tone::plain}});
    add_other_values(lines, status, frame);
    for (const std::string& note : sensor_notes(status))
        if (free_lines(lines, frame) > 4 && note.find("suspect") != std::string::npos)
            lines.push_back({{clip(note, frame.width), Tone::caution}});
}

void add_notes(std::vector<Line>& lines, const std::vector<std::string>& notes, const Look& frame) {
    const std::size_t free = free_lines(lines, frame);
    if (notes.empty() || free <= 5) return;
    lines.push_back(heading("notes", frame.width));
    std::vector<std::string> rows;
    for (const std::string& note : notes)
        for (std::string& row : wrap(note, frame.width)) rows.push_back(std::move(row));
    const std::size_t shown = std::min({rows.size(), free / 2, std::size_t{10}});
    for (std::size_t i = rows.size() - shown; i < rows.size(); ++i)
        lines.push_back({{std::move(rows[i]), Tone::plain}});
}

/// The newest that fit, over all that is left.
void add_events(std::vector<Line>& lines, const std::deque<EventLine>& events, const Look& frame) {
    const std::size_t free = free_lines(lines, frame);
    if (free <= 1) return;
    const std::size_t room = free - 1;
    lines.push_back(heading("events", frame.width));
    std::vector<Line> rows;
    for (const EventLine& event : events) {
        std::string when = pad_right(stamp(event), 13) + ' ';
        for (std::string& row : wrap(event.text.empty() ? event.kind + ' ' + event.source : event.text,
                                     frame.width > 34 ? frame.width - 14 : 20)) {
            rows.push_back({{when, Tone::plain}, {std::move(row), tone_of(event)}});
            when.assign(when.size(), ' ');
        }
    }
    const std::size_t shown = std::min(rows.size(), room);
    for (std::size_t i = rows.size() - shown; i < rows.size(); ++i) lines.push_back(std::move(rows[i]));
    if (rows.empty() && room > 0) lines.push_back({{"none since this view began", Tone::plain}});
    while (lines.size() + foot < frame.height) lines.emplace_back();
}

}  // namespace

std::vector<Line> render_watch(const Picture& picture, const Look& look) {
    const Look frame{.width = std::clamp<std::size_t>(look.width, 20, widest),
                     .height = std::max<std::size_t>(look.height, 4),
                     .colour = look.colour,
                     .utf8 = look.utf8};
    std::vector<Line> lines;
    add_banner(lines, picture, frame.width);
    if (picture.status) add_status(lines, *picture.status, frame);
    add_notes(lines, picture.notes, frame);
    add_events(lines, picture.events, frame);
    lines.resize(std::min(lines.size(), frame.height - foot));
    constexpr const char* leaving = "q leaves; dekeyctl hold takes the permit away from another terminal";
    lines.push_back({{columns(leaving) <= frame.width ? leaving : "q leaves", Tone::plain}});
    for (Line& line : lines) {
        if (!frame.utf8)
            for (Span& span : line) span.text = to_ascii(span.text);
        fit(line, frame.width);
    }
    return lines;
}

}  // namespace dekeyd::ctl
