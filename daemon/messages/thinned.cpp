#include "messages/thinned.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

namespace dekeyd::formats {
namespace {

using Json = nlohmann::ordered_json;

constexpr int digits = 4;  ///< of the piece's largest value
constexpr int most_decimals = 3;
/// Beyond it a number is none that is measured, and the difference of two would be no exact one.
constexpr double largest = 1e9;

std::int64_t floor_of(double at_s, std::int64_t length_s) noexcept {
    return static_cast<std::int64_t>(std::floor(at_s / static_cast<double>(length_s)));
}

std::int64_t modulo(std::int64_t number, std::int64_t by) noexcept {
    return ((number % by) + by) % by;
}

void cut_zeros(Json& list) {
    while (!list.empty() && list.back() == 0) list.erase(list.size() - 1);
}

const nlohmann::json* member(const nlohmann::json& object, const char* key) {
    const auto found = object.find(key);
    return found == object.end() ? nullptr : &*found;
}

std::int64_t whole(const nlohmann::json* value, std::int64_t otherwise) {
    return value != nullptr && value->is_number_integer() ? value->get<std::int64_t>() : otherwise;
}

/// The number at a place of a list whose zeros at the end are left out; none for null, or what is none.
std::optional<double> at(const nlohmann::json* list, std::size_t place) {
    if (list == nullptr || !list->is_array() || place >= list->size()) return 0.0;
    const nlohmann::json& value = (*list)[place];
    return value.is_number() ? std::optional{value.get<double>()} : std::nullopt;
}

}  // namespace

PieceGatherer::PieceGatherer(const HistoryLevel& level, std::vector<std::string> ids)
    : level_{level}, ids_{std::move(ids)}, bins_(ids_.size() * static_cast<std::size_t>(level.bins)) {}

std::optional<std::int64_t> PieceGatherer::place() const noexcept {
    return piece_ < 0 ? std::nullopt : std::optional{modulo(piece_, level_.pieces)};
}

void PieceGatherer::begin(std::int64_t piece) {
    piece_ = piece;
    so_far_ = 0;
    std::fill(bins_.begin(), bins_.end(), Bin{});
}

void PieceGatherer::add(double at_s, std::span<const double> values) {
    if (!(at_s >= 0.0 && at_s < 1e12)) return;
    const std::int64_t number = floor_of(at_s, level_.bin_s), piece = number / level_.bins;
    const std::int64_t place = number % level_.bins;
    if (piece != piece_) {
        if (piece > piece_ && piece_ >= 0) {
            so_far_ = level_.bins;
            last_ = text();
            ended_ = HistoryPiece{modulo(piece_, level_.pieces), last_};
        }
        begin(piece);
        told_ = floor_of(at_s, level_.again_s);
    }
    // The clock was set back: what was after this moment is still to come.
    for (std::size_t i = 0; i < ids_.size(); ++i)
        for (std::int64_t later = place + 1; later < so_far_; ++later) bin(i, later) = {};
    const bool before = so_far_ == 0;
    so_far_ = place + 1;
    if (before) recall(last_);  // by a little, over a piece's end
    now_ = floor_of(at_s, level_.again_s);
    for (std::size_t i = 0; i < std::min(values.size(), ids_.size()); ++i) {
        const double value = values[i];
        if (!std::isfinite(value) || std::fabs(value) >= largest) continue;
        Bin& one = bin(i, place);
        one.low = one.count == 0 ? value : std::min(one.low, value);
        one.high = one.count == 0 ? value : std::max(one.high, value);
        one.sum += value;
        ++one.count;
    }
}

std::optional<HistoryPiece> PieceGatherer::due() {
    if (ended_) return std::exchange(ended_, std::nullopt);
    if (piece_ < 0 || now_ == told_) return std::nullopt;
    told_ = now_;
    return HistoryPiece{modulo(piece_, level_.pieces), text()};
}

std::string PieceGatherer::text() const {
    Json series = Json::object();
    for (std::size_t i = 0; i < ids_.size(); ++i) {
        const Bin* const own = &bins_[i * static_cast<std::size_t>(level_.bins)];
        const std::span<const Bin> bins{own, static_cast<std::size_t>(so_far_)};
        double most = 0.0;
        bool any = false;
        for (const Bin& one : bins) {
            if (one.count == 0) continue;
            any = true;
            most = std::max({most, std::fabs(one.low), std::fabs(one.high)});
        }
        if (!any) continue;
        const int before = most > 0.0 ? static_cast<int>(std::ceil(std::log10(most))) : 0;
        const int decimals = std::clamp(digits - before, 0, most_decimals);
        const double unit = std::pow(10.0, decimals);
        Json means = Json::array(), lows = Json::array(), highs = Json::array();
        std::int64_t last = 0;
        for (const Bin& one : bins) {
            if (one.count == 0) {
                means.push_back(nullptr);
                lows.push_back(0);
                highs.push_back(0);
                continue;
            }
            const std::int64_t mean = std::llround(one.mean() * unit);
            means.push_back(mean - std::exchange(last, mean));
            lows.push_back(std::max<std::int64_t>(0, mean - std::llround(one.low * unit)));
            highs.push_back(std::max<std::int64_t>(0, std::llround(one.high * unit) - mean));
        }
        for (Json* const list : {&means, &lows, &highs}) cut_zeros(*list);
        Json& own_series = series[ids_[i]];
        own_series["d"] = decimals;
        own_series["m"] = std::move(means);
        if (!lows.empty()) own_series["l"] = std::move(lows);
        if (!highs.empty()) own_series["h"] = std::move(highs);
    }
    Json json;
    json["from"] = piece_ * level_.bins * level_.bin_s;
    json["step"] = level_.bin_s;
    json["n"] = so_far_;
    json["series"] = std::move(series);
    return json.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

void PieceGatherer::recall(std::string_view text) {
    if (piece_ < 0 || text.size() > largest_piece) return;
    const nlohmann::json json = nlohmann::json::parse(text, nullptr, false);
    if (!json.is_object() || whole(member(json, "from"), -1) != piece_ * level_.bins * level_.bin_s ||
        whole(member(json, "step"), 0) != level_.bin_s)
        return;
    const std::int64_t n = std::clamp<std::int64_t>(whole(member(json, "n"), 0), 0, level_.bins);
    const nlohmann::json* const series = member(json, "series");
    if (series == nullptr || !series->is_object()) return;
    for (std::size_t i = 0; i < ids_.size(); ++i) {
        const auto one = series->find(ids_[i]);
        if (one == series->end() || !one->is_object()) continue;
        const std::int64_t decimals = whole(member(*one, "d"), 0);
        if (decimals < 0 || decimals > most_decimals) continue;
        const double unit = std::pow(10.0, static_cast<double>(decimals));
        const nlohmann::json *means = member(*one, "m"), *lows = member(*one, "l"), *highs = member(*one, "h");
        double mean = 0.0;
        for (std::int64_t number = 0; number < std::min(n, so_far_); ++number) {
            const auto place = static_cast<std::size_t>(number);
            const auto step = at(means, place);
            if (!step) continue;
            mean += *step;
            if (bin(i, number).count > 0 || !(std::fabs(mean / unit) < largest)) continue;
            bin(i, number) = {.low = (mean - at(lows, place).value_or(0.0)) / unit,
                              .high = (mean + at(highs, place).value_or(0.0)) / unit,
                              .sum = mean / unit,
                              .count = 1};
        }
    }
}

}  // namespace dekeyd::formats
