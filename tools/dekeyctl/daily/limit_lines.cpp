#include "dekeyctl/daily/limit_lines.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <utility>

#include "core/limit.hpp"
#include "dekeyctl/daily/margin.hpp"
#include "dekeyctl/daily/status_words.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

bool not_measurable(const Quantity& quantity) {
    return quantity.health == core::text(core::Health::not_measurable);
}

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
    const double origin = rest_of(quantity);
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

/// Where an end of the interval is judged, the way to the trip is a bound.
std::string_view bound_words(const Margin& margin) {
    const std::string& edge = margin.limit->edge;
    if (edge != "high" && edge != "low") return "";
    const bool shortest = (edge == "high") == margin.limit->above;
    return shortest == (margin.amount >= 0.0) ? "at least " : "at most ";
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
    // A stage's name stands before its sensor's.
    const bool staged =
        std::any_of(watched.begin(), watched.end(), [](const Quantity* one) { return one->stage.has_value(); });
    name_room = std::min<std::size_t>(name_room, (width >= 90 ? 20 : width >= 75 ? 14 : 10) + (staged ? 4U : 0U));
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

}  // namespace dekeyd::ctl
