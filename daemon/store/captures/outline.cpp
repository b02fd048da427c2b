#include "store/captures/outline.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>

#include "words/event_text.hpp"
#include "words/json_number.hpp"

namespace dekeyd::formats {
namespace {

using Json = nlohmann::ordered_json;

constexpr double near_s = 0.2, near_step_s = 0.005;
constexpr double middle_s = 1.0, middle_step_s = 0.04;
constexpr double far_steps = 50.0;
constexpr std::int64_t far_begin = 1000;  ///< span numbers from here on are the far ones
constexpr std::size_t most_changes = 200;
constexpr std::size_t longest_sentence = 1000;

/// Four significant digits: more than the eye sees in a curve, and no more bytes than needed.
Json rounded(double value) {
    if (!std::isfinite(value)) return nullptr;
    if (value == 0.0) return 0;
    const double scale = std::pow(10.0, 3.0 - std::floor(std::log10(std::fabs(value))));
    const double shown = std::round(value * scale) / scale;
    return json_number(shown);
}

double to_tenth_of_ms(double t) {
    return std::round(t * 1.0e4) / 1.0e4;
}

/// What tripped first, then what an operator asks about, then what has a limit.
std::vector<core::QuantityIndex> chosen(const core::Plan& plan, core::SourceIndex source) {
    std::vector<core::QuantityIndex> list;
    const auto add = [&](std::optional<core::QuantityIndex> index) {
        const bool fits = index && *index < plan.quantity_count() && can_be_known(plan, *index);
        if (!fits || list.size() >= CaptureOutline::most_quantities) return;
        if (std::find(list.begin(), list.end(), *index) == list.end()) list.push_back(*index);
    };
    add(quantity_of(plan, source));
    add(plan.roles.forward);
    add(plan.roles.reflected);
    add(plan.index(core::Derived::vswr));
    add(plan.roles.drive);
    add(plan.roles.heatsink);
    add(plan.roles.supply);
    add(plan.roles.current);
    for (const core::LimitPlan& limit : plan.limits) add(limit.watch);
    return list;
}

}  // namespace

CaptureOutline::CaptureOutline(const core::Plan& plan, core::Instant origin, core::Instant first, core::Instant last,
                               core::SourceIndex source)
    : plan_{plan},
      origin_{origin},
      before_step_s_{std::max(middle_step_s, (core::seconds(origin - first) - middle_s) / far_steps)},
      after_step_s_{std::max(middle_step_s, (core::seconds(last - origin) - middle_s) / far_steps)},
      source_{source},
      quantities_{chosen(plan, source)},
      now_(quantities_.size()),
      values_(quantities_.size()) {}

std::int64_t CaptureOutline::span_of(double t) const noexcept {
    const double away = std::fabs(t);
    const double side = t < 0.0 ? -1.0 : 1.0;
    if (away < near_s) return static_cast<std::int64_t>(std::floor(t / near_step_s));
    const auto number = [&](double from, double step, std::int64_t begin) {
        return static_cast<std::int64_t>(side) *
               (begin + std::min<std::int64_t>(far_begin, static_cast<std::int64_t>((away - from) / step)));
    };
    if (away < middle_s) return number(near_s, middle_step_s, far_begin / 10);
    return number(middle_s, t < 0.0 ? before_step_s_ : after_step_s_, far_begin);
}

void CaptureOutline::add(const core::Snapshot& after, bool permit) {
    const double t = core::seconds(after.now - origin_);
    const bool changed = permit_.empty() || permit_.back().second != permit;
    if (changed && permit_.size() < most_changes) permit_.emplace_back(to_tenth_of_ms(t), permit);
    const std::int64_t number = span_of(t);
    if (steps_ > 0 && number != number_) put_span();
    number_ = number;
    if (steps_ == 0) first_t_ = t;
    last_t_ = t;
    ++steps_;
    ++all_steps_;
    for (std::size_t i = 0; i < quantities_.size(); ++i) {
        const core::Reading& reading = after.quantities[quantities_[i]];
        const bool there = (reading.measured() || reading.health == core::Health::above_range) &&
                           std::isfinite(reading.value) && reading.value < core::unbounded;
        if (!there) continue;
        Span& span = now_[i];
        if (!span.any) {
            span = {.low = reading.value, .high = reading.value, .any = true, .low_first = true};
        } else if (reading.value < span.low) {
            span.low = reading.value;
            span.low_first = false;
        } else if (reading.value > span.high) {
            span.high = reading.value;
            span.low_first = true;
        }
    }
}

void CaptureOutline::put_span() {
    const bool one = steps_ == 1;
    t_.push_back(to_tenth_of_ms(first_t_));
    if (!one) t_.push_back(to_tenth_of_ms(last_t_));
    for (std::size_t i = 0; i < quantities_.size(); ++i) {
        constexpr double none = std::numeric_limits<double>::quiet_NaN();
        Span& span = now_[i];
        values_[i].push_back(!span.any ? none : span.low_first ? span.low : span.high);
        if (!one) values_[i].push_back(!span.any ? none : span.low_first ? span.high : span.low);
        span.any = false;
    }
    steps_ = 0;
}

std::string CaptureOutline::text(const CaptureHeader& header) {
    if (steps_ > 0) put_span();
    Json json{{"at_s", core::seconds(header.origin.time_since_epoch())},
              {"wall", header.origin_wall},
              {"synchronised", header.synchronised},
              {"cause", header.cause.substr(0, longest_sentence)},
              {"steps", all_steps_},
              {"lost", header.lost_before}};
    const core::LimitPlan* limit = nullptr;
    if (source_ != core::no_source) {
        const core::SourceInfo info = core::describe_source(plan_, source_);
        json["source"] = info.id;
        if (info.kind == core::SourceInfo::Kind::limit && info.index < plan_.limits.size()) {
            limit = &plan_.limits[info.index];
        }
    } else {
        json["source"] = "";
    }
    json["watch"] = limit != nullptr ? Json(core::describe(plan_, limit->watch).id) : Json(nullptr);
    json["level"] = limit != nullptr ? rounded(limit->trip) : Json(nullptr);
    json["direction"] = limit == nullptr                             ? Json(nullptr)
                        : limit->direction == core::Direction::above ? Json("above")
                                                                     : Json("below");
    json["permit"] = Json::array();
    for (const auto& [t, permit] : permit_) json["permit"].push_back(Json::array({t, permit}));
    json["t"] = t_;
    json["quantities"] = Json::array();
    for (std::size_t i = 0; i < quantities_.size(); ++i) {
        const core::QuantityInfo info = core::describe(plan_, quantities_[i]);
        Json values = Json::array();
        for (const double value : values_[i]) values.push_back(rounded(value));
        json["quantities"].push_back(
            {{"id", info.id}, {"name", info.name}, {"unit", core::symbol(info.unit)}, {"values", std::move(values)}});
    }
    return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace dekeyd::formats
