#include "maths/correction.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "maths/rf.hpp"

namespace dekeyd::core {

namespace {

constexpr double between_factor = 1.8, beyond_factor = 2.0;
constexpr double neighbourhood_db = 1.2;  ///< so far from a level its error has grown to 0.7 of what it will be
constexpr double stated_slope_doubt = 0.08, least_slope_doubt = 1e-3, outermost_factor = 3.0;
constexpr double evidence_gap_db = 5.0, least_waviness_db = 0.15;

// The 5 % points of chi squared, for 1 to 12 degrees of freedom (tabulated; scipy.stats.chi2.ppf(0.05, n) in the
// oracle). More levels than that say no more.
constexpr std::array chi_squared_5{0.003932, 0.1026, 0.3518, 0.7107, 1.1455, 1.6354,
                                   2.1673,   2.7326, 3.3251, 3.9403, 4.5748, 5.2260};

// From 0 at a level to 1 far from it.
double away(double distance_db) noexcept {
    return distance_db / std::hypot(distance_db, neighbourhood_db);
}

struct Line {
    double slope = 0.0, scatter_squares = 0.0;
};

// The straight line through the corrections.
Line line_through(std::span<const CorrectionPoint> points) noexcept {
    double x = 0.0, y = 0.0;
    for (const CorrectionPoint& p : points) {
        x += p.shown_dbm / static_cast<double>(points.size());
        y += p.add_db / static_cast<double>(points.size());
    }
    double xx = 0.0, xy = 0.0;
    for (const CorrectionPoint& p : points) {
        xx += (p.shown_dbm - x) * (p.shown_dbm - x);
        xy += (p.shown_dbm - x) * (p.add_db - y);
    }
    Line line{.slope = xx > 0.0 ? xy / xx : 0.0};
    for (const CorrectionPoint& p : points) {
        const double left = p.add_db - y - line.slope * (p.shown_dbm - x);
        line.scatter_squares += left * left;
    }
    return line;
}

// As an amplitude of ripple: what the levels' scatter doesn't exclude.
double waviness_db(std::span<const CorrectionPoint> points, double conformance_db) noexcept {
    if (points.size() < 4) return conformance_db;
    for (std::size_t i = 1; i < points.size(); ++i) {
        if (points[i].shown_dbm - points[i - 1].shown_dbm > evidence_gap_db) return conformance_db;
    }
    const std::size_t freedom = std::min(points.size() - 2, chi_squared_5.size());
    const double share = static_cast<double>(freedom) / static_cast<double>(points.size() - 2);
    const double deviation = std::sqrt(share * line_through(points).scatter_squares / chi_squared_5[freedom - 1]);
    return std::min(conformance_db, std::max(least_waviness_db, std::sqrt(2.0) * deviation));
}

const CorrectionPoint* end_beyond(const Correction& c, double shown) noexcept {
    if (shown <= c.points.front().shown_dbm) return &c.points.front();
    return shown >= c.points.back().shown_dbm ? &c.points.back() : nullptr;
}

// The first of the two points around a level among them.
std::size_t before(std::span<const CorrectionPoint> points, double shown) noexcept {
    const auto after = std::upper_bound(points.begin() + 1, points.end() - 1, shown,
                                        [](double key, const CorrectionPoint& p) { return key < p.shown_dbm; });
    return static_cast<std::size_t>(after - points.begin()) - 1;
}

}  // namespace

std::optional<Correction> correction_from(const Detector& stated, std::span<const ComparedLevel> levels,
                                          double conformance_db) {
    if (levels.empty() || !(conformance_db >= 0.0)) return std::nullopt;
    Correction correction;
    for (const ComparedLevel& level : levels) {
        const double shown = detector_dbm(stated, level.volts);
        if (!(std::abs(shown) < largest_dbm) || !(std::abs(level.dbm) < largest_dbm)) return std::nullopt;
        correction.points.push_back({shown, level.dbm - shown, std::max(level.doubt_db, 0.0)});
    }
    auto& points = correction.points;
    std::sort(points.begin(), points.end(),
              [](const CorrectionPoint& a, const CorrectionPoint& b) { return a.shown_dbm < b.shown_dbm; });
    for (std::size_t i = 1; i < points.size(); ++i) {
        const double true_step =
            points[i].shown_dbm + points[i].add_db - points[i - 1].shown_dbm - points[i - 1].add_db;
        if (!(points[i].shown_dbm > points[i - 1].shown_dbm) || !(true_step > 0.0)) return std::nullopt;
    }
    correction.between_db = between_factor * waviness_db(points, conformance_db);
    correction.beyond_db = beyond_factor * conformance_db;
    const double span = points.back().shown_dbm - points.front().shown_dbm;
    const double prior = 1.0 / (stated_slope_doubt * stated_slope_doubt);
    const double measured_doubt =
        span > 0.0 ? std::max(outermost_factor * conformance_db / span, least_slope_doubt) : unbounded;
    const double measured = 1.0 / (measured_doubt * measured_doubt);
    const double slope = span > 0.0 ? (points.back().add_db - points.front().add_db) / span : 0.0;
    // A slope that turns the law round is no slope of it.
    correction.slope_db_per_db = std::clamp(slope * measured / (prior + measured), -0.5, 0.5);
    correction.slope_doubt_db_per_db = 1.0 / std::sqrt(prior + measured);
    return correction;
}

double correction_db(const Correction& c, double shown) noexcept {
    if (c.points.empty() || std::isnan(shown)) return 0.0;
    if (const CorrectionPoint* end = end_beyond(c, shown))
        return end->add_db + c.slope_db_per_db * (shown - end->shown_dbm);
    const std::size_t i = before(c.points, shown);
    const CorrectionPoint& a = c.points[i];
    const CorrectionPoint& b = c.points[i + 1];
    return a.add_db + (b.add_db - a.add_db) * (shown - a.shown_dbm) / (b.shown_dbm - a.shown_dbm);
}

double correction_doubt_db(const Correction& c, double shown) noexcept {
    if (c.points.empty() || std::isnan(shown)) return largest_dbm;
    if (const CorrectionPoint* end = end_beyond(c, shown)) {
        const double distance = std::abs(shown - end->shown_dbm);
        const double bend = c.beyond_db * away(distance), slope = c.slope_doubt_db_per_db * distance;
        return std::sqrt(end->doubt_db * end->doubt_db + bend * bend + slope * slope);
    }
    const std::size_t i = before(c.points, shown);
    const CorrectionPoint& a = c.points[i];
    const CorrectionPoint& b = c.points[i + 1];
    const double distance = std::min(shown - a.shown_dbm, b.shown_dbm - shown);
    return std::hypot(std::max(a.doubt_db, b.doubt_db), c.between_db * away(distance));
}

double beyond_correction_db(const Correction& c, double dbm) noexcept {
    if (c.points.empty()) return 0.0;
    const CorrectionPoint& first = c.points.front();
    const CorrectionPoint& last = c.points.back();
    return std::max({0.0, first.shown_dbm + first.add_db - dbm, dbm - last.shown_dbm - last.add_db});
}

double chain_dbm(const PowerChain& chain, double volts) noexcept {
    const double shown = detector_dbm(chain.detector, volts);
    if (!chain.correction) return shown;
    return std::clamp(shown + correction_db(*chain.correction, shown), -largest_dbm, largest_dbm);
}

double shown_dbm(const PowerChain& chain, double dbm) noexcept {
    if (!chain.correction || chain.correction->points.empty()) return dbm;
    const Correction& c = *chain.correction;
    const auto true_of = [](const CorrectionPoint& p) { return p.shown_dbm + p.add_db; };
    const bool below = !(dbm > true_of(c.points.front()));
    if (below || dbm >= true_of(c.points.back())) {
        const CorrectionPoint& end = below ? c.points.front() : c.points.back();
        return end.shown_dbm + (dbm - true_of(end)) / (1.0 + c.slope_db_per_db);
    }
    const auto after = std::upper_bound(c.points.begin(), c.points.end(), dbm,
                                        [&](double key, const CorrectionPoint& p) { return key < true_of(p); });
    const CorrectionPoint& a = *(after - 1);
    const CorrectionPoint& b = *after;
    return a.shown_dbm + (dbm - true_of(a)) * (b.shown_dbm - a.shown_dbm) / (true_of(b) - true_of(a));
}

double chain_volts(const PowerChain& chain, double dbm) noexcept {
    return detector_volts(chain.detector, shown_dbm(chain, dbm));
}

}  // namespace dekeyd::core
