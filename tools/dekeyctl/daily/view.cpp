#include "dekeyctl/daily/view.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "core/interlock.hpp"
#include "core/limit.hpp"
#include "dekeyctl/text.hpp"
#include "plan/reading.hpp"

namespace dekeyd::ctl {
namespace {

constexpr std::size_t widest = 200;  // wider lines are harder to read, not easier

std::size_t columns_of(const Line& line) {
    std::size_t sum = 0;
    for (const Span& span : line) sum += columns(span.text);
    return sum;
}

// Cuts a line to its room, over all its spans.
void fit(Line& line, std::size_t room) {
    std::size_t used = 0;
    for (Span& span : line) {
        span.text = clip(span.text, room - used);
        used += columns(span.text);
    }
}

bool is_ratio_from_one(const Quantity& quantity) {
    return quantity.id.ends_with("vswr");
}

bool not_measurable(const Quantity& quantity) {
    return quantity.health == core::text(core::Health::not_measurable);
}

// ---- the bar ---------------------------------------------------------------------------------------------------

struct Scale {
    double low = 0.0, high = 1.0;
    bool two_sided = false;
};

// The scale depends on the levels alone, so that a bar's length means the same from one frame to the next.
Scale scale_of(const Quantity& quantity, const std::vector<const Limit*>& limits) {
    std::optional<double> top, bottom;
    for (const Limit* limit : limits) {
        auto& end = limit->above ? top : bottom;
        if (!end || (limit->above ? limit->trip > *end : limit->trip < *end)) end = limit->trip;
    }
    const double origin = is_ratio_from_one(quantity) ? 1.0 : 0.0;
    Scale scale;
    if (top && bottom && *top > *bottom) {
        const double gap = *top - *bottom;
        scale = {*bottom - 0.3 * gap, *top + 0.3 * gap, true};
    } else if (top) {
        // A trip may be of milliwatts: its own size is the scale, and 1 only where it has none.
        const double way = *top > origin ? *top - origin : std::max(std::abs(*top), 1.0);
        scale = {*top - way, *top + 0.2 * way, false};
    } else if (bottom) {
        const double way = *bottom > origin ? *bottom - origin : std::max(std::abs(*bottom), 1.0);
        scale = {std::min(origin, *bottom), *bottom + way, false};
    }
    if (!(scale.high > scale.low)) scale.high = scale.low + 1.0;
    return scale;
}

// What is left until the nearest of its trips, as an amount and as a share of the way from rest. Of a quantity that
// only warns: until its warning.
struct Margin {
    const Limit* limit = nullptr;
    double amount = 0.0;  ///< negative: beyond
    double share = 0.0;
};

/// It doesn't watch now, so its level says nothing.
bool is_idle(const Limit* limit) {
    return limit->rests && !limit->active;
}

/// What the limit compares with its trip: the reading, or an end of its interval.
double judged(const Quantity& quantity, const Limit& limit) {
    const std::optional<double> end = limit.edge == "high"  ? quantity.high
                                      : limit.edge == "low" ? quantity.low
                                                            : quantity.value;
    return end.value_or(*quantity.value);
}

std::optional<Margin> margin_of(const Quantity& quantity, const std::vector<const Limit*>& limits) {
    if (!quantity.value) return std::nullopt;
    std::optional<Margin> least;
    const double origin = is_ratio_from_one(quantity) ? 1.0 : 0.0;
    const bool any_trips =
        std::any_of(limits.begin(), limits.end(), [](const Limit* limit) { return limit->trips && !is_idle(limit); });
    for (const Limit* limit : limits) {
        if (is_idle(limit) || (any_trips && !limit->trips)) continue;
        const double value = judged(quantity, *limit);
        const double amount = limit->above ? limit->trip - value : value - limit->trip;
        // Between two trips the middle is the farthest that a value can be from both.
        double way = std::abs(limit->trip - origin);
        for (const Limit* other : limits)
            if (!is_idle(other) && other->trips == limit->trips && other->above != limit->above)
                way = std::abs(limit->trip - other->trip) / 2.0;
        const Margin margin{limit, amount, way > 0.0 ? amount / way : amount};
        if (!least || margin.share < least->share) least = margin;
    }
    return least;
}

/// Where an end of the interval is judged, the way to the trip is a bound.
std::string_view bound_words(const Margin& margin) {
    const std::string& edge = margin.limit->edge;
    if (edge != "high" && edge != "low") return "";
    const bool shortest = (edge == "high") == margin.limit->above;
    return shortest == (margin.amount >= 0.0) ? "at least " : "at most ";
}

std::vector<const Limit*> limits_of(const Status& status, std::string_view quantity) {
    std::vector<const Limit*> found;
    for (const Limit& limit : status.limits)
        if (limit.watch == quantity) found.push_back(&limit);
    return found;
}

std::string value_words(const Quantity& quantity) {
    if (!quantity.value) return "--";
    std::string_view prefix;
    if (quantity.health == core::text(core::Health::at_floor)) prefix = "≤";
    if (quantity.health == core::text(core::Health::above_range)) prefix = "≥";
    return std::string{prefix} + with_unit(*quantity.value, quantity.unit);
}

// The last column: the gravest thing to be said of a watched quantity.
Span standing(const Quantity& quantity, const std::vector<const Limit*>& limits, const Status& status,
              std::size_t room) {
    const auto some = [&](auto has) { return std::any_of(limits.begin(), limits.end(), has); };
    const auto margin = margin_of(quantity, limits);
    const bool active = some([](const Limit* limit) { return limit->active; });
    const bool latched = active && some([&](const Limit* limit) {
                             return std::any_of(status.causes.begin(), status.causes.end(), [&](const Cause& cause) {
                                 return cause.id == limit->id && cause.latched;
                             });
                         });
    const std::string stands = latched ? "LATCHED" : active ? "TRIPPED" : "";
    const bool faulty = !quantity.value && !not_measurable(quantity);
    const bool trips = margin && margin->limit->trips;
    const std::string left =
        margin ? fmt::format("{}{} {} {}", bound_words(*margin), with_unit(std::abs(margin->amount), quantity.unit),
                             margin->amount < 0.0   ? "beyond"
                             : margin->limit->above ? "below"
                                                    : "above",
                             trips ? "trip" : "warning")
               : "";
    const bool all_rest = !limits.empty() && std::all_of(limits.begin(), limits.end(), is_idle);
    const std::string seen = faulty            ? "no reading: " + (quantity.fault.empty() ? "?" : quantity.fault)
                             : !quantity.value ? quantity.health
                             : all_rest        ? "rests: " + limits.front()->standing
                                               : left;
    if (!stands.empty()) {
        const std::string both = stands + ", " + seen;
        return {columns(both) <= room ? both : stands, Tone::danger};
    }
    if (faulty || (trips && margin->amount < 0.0)) return {seen, Tone::danger};
    if (some([](const Limit* limit) { return limit->warning; })) {
        const std::string both = "WARNING, " + seen;
        return {columns(both) <= room ? both : "WARNING", Tone::caution};
    }
    return {seen, Tone::plain};
}

std::string levels_words(const std::vector<const Limit*>& limits) {
    std::string words;
    for (const Limit* limit : limits)
        words += fmt::format("{}{} {} {}", words.empty() ? "" : ", ", limit->trips ? "trip" : "warning",
                             limit->above ? "above" : "below", with_unit(limit->trip, limit->unit));
    return words;
}

std::string age_words(const Quantity& quantity) {
    return quantity.age_s ? time_words(*quantity.age_s) + " old" : std::string{};
}

// ---- parts of the screen ---------------------------------------------------------------------------------------

void add_banner(std::vector<Line>& lines, const Picture& picture, std::size_t width) {
    const bool heard = picture.status && picture.trouble.empty() && picture.status_age_s <= news_is_old_s;
    Line line;
    std::string words;
    if (!heard) {
        line.push_back({" NOT KNOWN ", Tone::banner_doubt});
        words = !picture.trouble.empty() ? "no word from dekeyd"
                : picture.status         ? fmt::format("no word from dekeyd for {}", time_words(picture.status_age_s))
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
        why = picture.trouble.empty() ? "Nothing below is news; the line's own state is what the amplifier obeys."
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

std::string_view attributes(Tone tone, bool colour) {
    switch (tone) {
        case Tone::plain: return "";
        case Tone::strong: return "\x1b[1m";
        case Tone::good: return colour ? "\x1b[32m" : "";
        case Tone::caution: return colour ? "\x1b[1;33m" : "\x1b[1m";
        case Tone::danger: return colour ? "\x1b[1;31m" : "\x1b[1m";
        case Tone::banner_permit: return colour ? "\x1b[1;7;32m" : "\x1b[1;7m";
        case Tone::banner_inhibit: return colour ? "\x1b[1;7;31m" : "\x1b[1;7m";
        case Tone::banner_doubt: return "\x1b[1;7m";
    }
    return "";
}

std::string line_text(const Line& line, const Look& look, bool bare) {
    std::string out;
    for (const Span& span : line) {
        const std::string_view start = bare ? std::string_view{} : attributes(span.tone, look.colour);
        out += start;
        out += look.utf8 ? span.text : to_ascii(span.text);
        if (!start.empty()) out += "\x1b[0m";
    }
    return out;
}

}  // namespace

Line bar(const Quantity& quantity, const std::vector<const Limit*>& limits, std::size_t room) {
    if (room < 4 || limits.empty()) return {{std::string(room, ' '), Tone::plain}};
    const Scale scale = scale_of(quantity, limits);
    const auto place = [&](double value) {
        const double share = (value - scale.low) / (scale.high - scale.low);
        return static_cast<std::size_t>(std::lround(std::clamp(share, 0.0, 1.0) * static_cast<double>(room - 1)));
    };
    std::vector<std::string> cells(room, "─");
    const std::size_t at = quantity.value ? place(*quantity.value) : 0;
    if (quantity.value && !scale.two_sided) std::fill_n(cells.begin(), static_cast<std::ptrdiff_t>(at), "━");
    for (const Limit* limit : limits) {
        if (limit->clear && limit->clears_by_level) cells[place(*limit->clear)] = "c";
        if (limit->warn) cells[place(*limit->warn)] = "w";
    }
    for (const Limit* limit : limits)
        if (!limit->trips) cells[place(limit->trip)] = "w";
    for (const Limit* limit : limits)
        if (limit->trips) cells[place(limit->trip)] = "T";
    Tone tone = Tone::good;
    if (quantity.value) {
        const bool beyond_scale = *quantity.value > scale.high || *quantity.value < scale.low;
        cells[at] = !beyond_scale ? "●" : *quantity.value > scale.high ? "▶" : "◀";
        for (const Limit* limit : limits) {
            if (is_idle(limit)) continue;
            const auto past = [&](double level) {
                return limit->above ? *quantity.value >= level : *quantity.value <= level;
            };
            const double ends_at = judged(quantity, *limit);
            if (limit->trips && (limit->above ? ends_at >= limit->trip : ends_at <= limit->trip)) {
                tone = Tone::danger;
                if (!beyond_scale) cells[at] = "◆";  // the shape changes too, not the colour alone
            } else if (((limit->warn && past(*limit->warn)) || past(limit->trip)) && tone != Tone::danger) {
                tone = Tone::caution;
            }
        }
    }
    // The value's own part carries the tone; the rest stays plain.
    Line line;
    std::string before, after;
    for (std::size_t i = 0; i < room; ++i) (quantity.value && i <= at ? before : after) += cells[i];
    if (!before.empty()) line.push_back({std::move(before), tone});
    if (!after.empty()) line.push_back({std::move(after), Tone::plain});
    return line;
}

std::vector<Line> limit_lines(const Status& status, const Look& look) {
    const std::size_t width = look.width;
    const auto shown = [&](std::string text) { return look.utf8 ? std::move(text) : to_ascii(text); };
    std::vector<const Quantity*> watched;
    for (const Limit& limit : status.limits)
        for (const Quantity& quantity : status.quantities)
            if (quantity.id == limit.watch && std::find(watched.begin(), watched.end(), &quantity) == watched.end())
                watched.push_back(&quantity);
    std::size_t name_room = 6;
    for (const Quantity* quantity : watched) name_room = std::max(name_room, columns(quantity->name));
    name_room = std::min<std::size_t>(name_room, width >= 90 ? 20 : width >= 75 ? 14 : 10);
    const std::size_t value_room = 10;
    const std::size_t levels_room = width >= 130 ? 34 : 0;
    const std::size_t age_room = width >= 90 ? 12 : 0;
    const std::size_t words_room = width >= 90 ? 28 : 20;
    const std::size_t taken = name_room + 1 + value_room + 2 + 2 + words_room + levels_room + age_room;
    const std::size_t bar_room = width > taken + 8 ? width - taken : 8;

    std::vector<Line> lines;
    for (const Quantity* quantity : watched) {
        const auto limits = limits_of(status, quantity->id);
        // The short id rather than a name cut in half.
        const bool by_name = !quantity->name.empty() && columns(quantity->name) <= name_room;
        Line line{{pad_right(shown(by_name ? quantity->name : quantity->id), name_room) + ' ', Tone::plain},
                  {pad_left(shown(value_words(*quantity)), value_room) + "  ", Tone::strong}};
        for (Span& span : bar(*quantity, limits, bar_room)) line.push_back(std::move(span));
        Span words = standing(*quantity, limits, status, words_room);
        words.text = "  " + pad_right(shown(words.text), words_room);
        line.push_back(std::move(words));
        if (levels_room > 0) line.push_back({pad_right(shown(levels_words(limits)), levels_room), Tone::plain});
        if (age_room > 0) line.push_back({pad_left(age_words(*quantity), age_room), Tone::plain});
        fit(line, width);
        lines.push_back(std::move(line));
    }
    return lines;
}

std::string nearest_words(const Status& status) {
    std::optional<Margin> least;
    const Quantity* nearest = nullptr;
    for (const Quantity& quantity : status.quantities) {
        const auto margin = margin_of(quantity, limits_of(status, quantity.id));
        if (!margin || !margin->limit->trips || (least && margin->share >= least->share)) continue;
        least = margin;
        nearest = &quantity;
    }
    if (nearest == nullptr) return {};
    const std::string name = nearest->name.empty() ? nearest->id : nearest->name;
    if (least->amount < 0.0)
        return fmt::format("{} is {} beyond its trip", name, with_unit(-least->amount, nearest->unit));
    return fmt::format("nearest to its trip: {}, {} {} it", name, with_unit(least->amount, nearest->unit),
                       least->limit->above ? "below" : "above");
}

/// Its quantity is known and it watches: it has come into force, and was not looked at since.
bool waits_for_a_look(const Status& status, const Cause& cause) {
    const auto limit =
        std::find_if(status.limits.begin(), status.limits.end(), [&](const Limit& one) { return one.id == cause.id; });
    if (limit == status.limits.end() || limit->standing != core::text(core::Standing::watches)) return false;
    return std::any_of(status.quantities.begin(), status.quantities.end(), [&](const Quantity& one) {
        return one.id == limit->watch && one.health == core::text(core::Health::good) &&
               one.fault == core::text(core::Fault::none);
    });
}

std::string cause_words(const Status& status, const Cause& cause, std::size_t room) {
    const std::string name = (cause.first ? "first: " : "") + (cause.name.empty() ? cause.id : cause.name);
    const bool clear = cause.condition == core::text(core::Condition::clear);
    std::string words;
    if (clear) {
        words += cause.hold_off_left_s > 0.0
                     ? fmt::format(": clear, hold-off {} left", time_words(cause.hold_off_left_s))
                 : cause.latched ? std::string{": clear"}
                                 : std::string{": clear, waits to re-arm"};
    } else if (cause.condition == core::text(core::Condition::band)) {
        words += ": not yet at its clear level";
    } else if (cause.condition == core::text(core::Condition::bad)) {
        words += ": still stands";
    } else {
        words += waits_for_a_look(status, cause) ? ": waits for its first reading" : ": unknown";
    }
    if (cause.latched) words += clear && cause.hold_off_left_s <= 0.0 ? ", needs a reset" : ", then needs a reset";
    const std::string since = fmt::format(" (for {})", time_words(cause.since_s));
    if (columns(name) + columns(words) + columns(since) <= room) return name + words + since;
    // What is to be done is worth more than the whole name.
    return columns(words) < room ? clip(name, room - columns(words)) + words : clip(name + words, room);
}

std::vector<std::string> other_values(const Status& status) {
    std::vector<std::string> texts;
    for (const Quantity& quantity : status.quantities) {
        if (!limits_of(status, quantity.id).empty()) continue;
        const std::string name = quantity.name.empty() ? quantity.id : quantity.name;
        if (quantity.value)
            texts.push_back(fmt::format("{} {}", name, value_words(quantity)));
        else if (!quantity.fault.empty() && quantity.fault != core::text(core::Fault::none) && quantity.age_s)
            texts.push_back(fmt::format("{}: {}", name, quantity.fault));
    }
    return texts;
}

std::string health_words(const Status& status) {
    std::string words = fmt::format("guard: {} late step{}, real time {}, memory {}", status.guard.overruns,
                                    status.guard.overruns == 1 ? "" : "s", status.guard.realtime ? "yes" : "NO",
                                    status.guard.memory_locked ? "locked" : "NOT locked");
    if (status.guard.events_dropped > 0) words += fmt::format(", {} events dropped", status.guard.events_dropped);
    words += !status.mqtt              ? "; no MQTT broker configured"
             : !status.mqtt->telemetry ? "; telemetry NOT running (dekeyd-telemetry)"
             : status.mqtt->connected  ? "; MQTT connected"
                                       : "; MQTT NOT connected";
    if (!status.line.empty()) words += "; line: " + status.line;
    return words;
}

std::string unsaved_words(const Status& status) {
    if (!status.memory.unsaved_s) return {};
    return fmt::format(
        "NOT SAVED for {:.0f} s: the storage hasn't taken the newest latches, holds or counters; a restart may forget "
        "them",
        *status.memory.unsaved_s);
}

bool kept_is_amiss(const Status& status) noexcept {
    return status.kept && (status.kept->dropped > 0 || status.kept->lost_steps > 0 || status.kept->failed_writes > 0);
}

std::string kept_words(const Status& status) {
    if (!status.kept) return {};
    const Kept& kept = *status.kept;
    const auto counted = [](std::uint64_t count, std::string_view one, std::string_view many) {
        return fmt::format("{} {}", count, count == 1 ? one : many);
    };
    std::string words = "kept since the start: " + counted(kept.captures, "capture of a trip", "captures of trips");
    if (kept.waiting > 0)
        words += "; " + counted(kept.waiting, "file or row waits", "files or rows wait") + " for the storage";
    if (kept.failed_writes > 0) words += "; " + counted(kept.failed_writes, "write", "writes") + " FAILED";
    if (kept.dropped > 0) words += "; " + counted(kept.dropped, "file or row was", "files or rows were") + " given up";
    if (kept.lost_steps > 0)
        words += "; " + counted(kept.lost_steps, "decision", "decisions") + " that no capture can show";
    return words;
}

std::vector<Line> render_watch(const Picture& picture, const Look& look) {
    const std::size_t width = std::clamp<std::size_t>(look.width, 20, widest);
    const std::size_t height = std::max<std::size_t>(look.height, 4);
    std::vector<Line> lines;
    add_banner(lines, picture, width);
    const std::size_t foot = 1;
    if (picture.status) {
        const Status& status = *picture.status;
        add_causes(lines, status, width, height >= 30 ? 6 : 3);
        if (status.settling_left_s > 0.0)
            lines.push_back(
                {{fmt::format("  settling: {} of good readings still wanted", time_words(status.settling_left_s)),
                  Tone::plain}});
        lines.push_back(heading(
            width >= 75 ? "how far from the limits (T trip, w warn, c clear)" : "T trip  w warn  c clear", width));
        for (Line& line : limit_lines(status, {width, height, look.colour, look.utf8}))
            lines.push_back(std::move(line));
        if (const std::string nearest = nearest_words(status); !nearest.empty())
            lines.push_back({{clip(nearest, width), Tone::plain}});

        // Whole values on a line, never a name torn from its number.
        std::vector<std::string> rows;
        for (const std::string& text : other_values(status)) {
            if (rows.empty() || columns(rows.back()) + 3 + columns(text) > width)
                rows.push_back(text);
            else
                rows.back() += " · " + text;
        }
        const std::size_t room = height > lines.size() + foot ? height - lines.size() - foot : 0;
        if (!rows.empty() && room > 4) {
            if (rows.size() > room / 3) rows.resize(std::max<std::size_t>(room / 3, 1));
            for (std::string& row : rows) lines.push_back({{std::move(row), Tone::plain}});
        }
        if (room > 4)
            for (std::string& row : wrap(health_words(status), width)) lines.push_back({{std::move(row), Tone::plain}});
        for (const std::string& note : sensor_notes(status))
            if (height > lines.size() + foot + 4 && note.find("suspect") != std::string::npos)
                lines.push_back({{clip(note, width), Tone::caution}});
    }
    if (const std::size_t free = height > lines.size() + foot ? height - lines.size() - foot : 0;
        !picture.notes.empty() && free > 5) {
        lines.push_back(heading("notes", width));
        std::vector<std::string> rows;
        for (const std::string& note : picture.notes)
            for (std::string& row : wrap(note, width)) rows.push_back(std::move(row));
        const std::size_t shown = std::min({rows.size(), free / 2, std::size_t{10}});
        for (std::size_t i = rows.size() - shown; i < rows.size(); ++i)
            lines.push_back({{std::move(rows[i]), Tone::plain}});
    }
    if (height > lines.size() + foot + 1) {
        const std::size_t room = height - lines.size() - foot - 1;
        lines.push_back(heading("events", width));
        std::vector<Line> rows;
        for (const EventLine& event : picture.events) {
            std::string when = pad_right(stamp(event), 13) + ' ';
            for (std::string& row : wrap(event.text.empty() ? event.kind + ' ' + event.source : event.text,
                                         width > 34 ? width - 14 : 20)) {
                rows.push_back({{when, Tone::plain}, {std::move(row), tone_of(event)}});
                when.assign(when.size(), ' ');
            }
        }
        const std::size_t shown = std::min(rows.size(), room);
        for (std::size_t i = rows.size() - shown; i < rows.size(); ++i) lines.push_back(std::move(rows[i]));
        if (rows.empty() && room > 0) lines.push_back({{"none since this view began", Tone::plain}});
        while (lines.size() + foot < height) lines.emplace_back();
    }
    lines.resize(std::min(lines.size(), height - foot));
    constexpr const char* leaving = "q leaves; dekeyctl hold takes the permit away from another terminal";
    lines.push_back({{columns(leaving) <= width ? leaving : "q leaves", Tone::plain}});
    for (Line& line : lines) {
        if (!look.utf8)
            for (Span& span : line) span.text = to_ascii(span.text);
        fit(line, width);
    }
    return lines;
}

std::string to_text(const std::vector<Line>& lines, const Look& look, bool bare) {
    std::string out;
    for (const Line& line : lines) out += line_text(line, look, bare) + '\n';
    return out;
}

std::string to_frame(const std::vector<Line>& lines, const Look& look) {
    std::string out = "\x1b[H";
    for (std::size_t i = 0; i < lines.size(); ++i) {
        out += line_text(lines[i], look, false);
        out += "\x1b[K";
        if (i + 1 < lines.size()) out += "\r\n";
    }
    return out + "\x1b[J";
}

}  // namespace dekeyd::ctl
