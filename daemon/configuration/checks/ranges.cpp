#include "configuration/checks/ranges.hpp"

#include <array>
#include <vector>

namespace dekeyd::formats {
namespace {

using D = Dimension;
using namespace row_units;

constexpr RangeRow same(std::string_view path, std::string_view of, D dimension, double lowest, double highest,
                        std::string_view why) {
    return {path, of, dimension, lowest, highest, lowest, highest, why, Compared::value};
}

// What a level may be, by what the limit watches; four keys have the same dimension then.
constexpr std::array level_rows{
    RangeRow{"limits.*.above", "heatsink", D::temperature, 40.0, 110.0, -40.0, 150.0,
             "the sun alone heats a sink to 40 degC, and transistors are rated to some 110 degC at their flange"},
    same("limits.*.below|clear|warn", "heatsink", D::temperature, -60.0, 150.0, "no heatsink has it"),
    same("limits.*.above|below|clear|warn", "temperature", D::temperature, -60.0, 200.0, "no part of a station has it"),
    RangeRow{"limits.*.above", "vswr antenna-vswr", D::number, 1.2, 5.0, 1.01, 20.0,
             "good antennas have up to 1.2, and an amplifier bears 5 for a moment only"},
    same("limits.*.below|clear|warn", "vswr antenna-vswr", D::number, 1.0, 20.0, "a VSWR is at least 1"),
    RangeRow{"limits.*.above", "reflection", D::number, 0.09, 0.67, 0.01, 0.95,
             "0.09 is a good antenna, a VSWR of 1.2; 0.67 is a VSWR of 5"},
    same("limits.*.below|clear|warn", "reflection", D::number, 0.0, 0.95, "it lies between 0 and 1"),
    RangeRow{"limits.*.below", "return-loss", D::ratio_db, 3.5, 21.0, 0.5, 40.0,
             "21 dB is a good antenna, a VSWR of 1.2; 3.5 dB is a VSWR of 5"},
    same("limits.*.above|clear|warn", "return-loss", D::ratio_db, 0.0, 60.0, "no coupler tells it"),
    RangeRow{"limits.*.above", "mismatch-loss", D::ratio_db, 0.035, 2.6, 0.001, 10.0,
             "0.035 dB is a good antenna, a VSWR of 1.2; 2.6 dB is a VSWR of 5"},
    same("limits.*.below|clear|warn", "mismatch-loss", D::ratio_db, 0.0, 20.0, "no antenna has it"),
    same("limits.*.above|below|clear|warn",
         "power net-power antenna-power dc-power heat circulator-load mean-forward peak-forward", D::power, 1e-9,
         200 * kw, "no amplifier has it"),
    same("limits.*.above|below|clear|warn", "voltage", D::voltage, 10 * mw, 12 * kw,
         "no amplifier is supplied with it"),
    same("limits.*.above|below|clear|warn", "current", D::current, 1e-3, 1.5e3, "no amplifier draws it"),
    same("limits.*.above|below|clear|warn", "speed", D::speed, 10.0, 100e3, "no fan turns so"),
    same("limits.*.above|below|clear|warn", "contact", D::number, 0.0, 1.0, "open is 0 and closed is 1"),
    same("limits.*.above|below|clear|warn", "gain", D::ratio_db, -20.0, 100.0, "no amplifier has it"),
    same("limits.*.above|below|clear|warn", "compression", D::ratio_db, 0.05, 10.0,
         "less is lost in noise, and no amplifier is used with 10 dB of compression"),
    same("limits.*.above|below|clear|warn", "efficiency", D::percent, 0.5, 100.0, "it is a share of the power"),
    same("limits.*.above|below|clear|warn", "thermal-resistance", D::thermal_resistance, 0.001, 50.0,
         "no heatsink has it"),
    same("limits.*.above|below|clear|warn", "ambient-trend", D::temperature_trend, -60.0, 60.0,
         "no air changes so fast"),
    same("limits.*.above|below|clear|warn", "settling-temperature forecast-temperature", D::temperature, -60.0, 200.0,
         "no heatsink has it"),
    same("limits.*.above|below|clear|warn", "time-to-limit", D::time, 1.0, day, "no forecast reaches so far"),
    same("limits.*.above|below|clear|warn", "back-off", D::ratio_db, 0.05, 40.0, "no back-off has it"),
};

const std::vector<RangeRow>& all_rows() {
    static const std::vector<RangeRow> rows = [] {
        std::vector<RangeRow> all;
        const auto add = [&](const KeyRow& key, std::string_view of, D dimension, Between between) {
            if (key.kind == KeyKind::whole) between.compared = Compared::whole;
            all.push_back({key.path, of, dimension, between.lowest, between.highest, between.least, between.most,
                           between.why, between.compared});
        };
        for (const KeyRow& key : configuration_keys()) {
            if (!key.between.why.empty())
                add(key, key.of, key.kind == KeyKind::time ? D::time : key.dimension, key.between);
            for (const KindBetween& kind : key.by_kind) add(key, kind.of, kind.dimension, kind.between);
        }
        all.insert(all.end(), level_rows.begin(), level_rows.end());
        return all;
    }();
    return rows;
}

}  // namespace

std::span<const RangeRow> range_rows() {
    return all_rows();
}

const RangeRow* range_for(std::string_view path, std::string_view of, Dimension dimension) {
    for (const RangeRow& row : all_rows()) {
        if (row.dimension == dimension && (row.of.empty() || one_of(row.of, ' ', of)) && fits(row.path, path))
            return &row;
    }
    return nullptr;
}

}  // namespace dekeyd::formats
