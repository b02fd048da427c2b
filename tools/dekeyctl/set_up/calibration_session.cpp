#include "dekeyctl/set_up/calibration_session.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdio>
#include <ctime>

#include "base/durable_file.hpp"
#include "dekeyctl/set_up/calibration_talk.hpp"
#include "dekeyctl/text.hpp"
#include "maths/correction.hpp"
#include "maths/rf.hpp"

namespace dekeyd::ctl {
namespace {

std::string plain(std::string text) {
    for (char& c : text)
        if (c == '"' || c == '\\' || static_cast<unsigned char>(c) < 0x20) c = ' ';
    return clip(printable(text), 100);
}

}  // namespace

std::string beside(const CalibrateOptions& options, const std::string& name) {
    const std::size_t slash = options.file.rfind('/');
    return slash == std::string::npos ? name : options.file.substr(0, slash + 1) + name;
}

std::string utc_now() {
    const std::time_t now = std::time(nullptr);
    std::tm broken{};
    ::gmtime_r(&now, &broken);
    return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z", broken.tm_year + 1900, broken.tm_mon + 1, broken.tm_mday,
                       broken.tm_hour, broken.tm_min, broken.tm_sec);
}

CalibrationSession::CalibrationSession(const CalibrateOptions& options)
    : options_{options}, path_{beside(options, options.sensor + ".calibration.session.yaml")} {}

bool CalibrationSession::resume() {
    if (options_.anew) return true;
    for (const std::string& path : {path_, beside(options_, options_.sensor + ".calibration.yaml")}) {
        constexpr std::size_t most = 64UL * 1024;
        const formats::FileBytes found = formats::read_whole(path, most);
        if (found.error == ENOENT) continue;
        formats::CalibrationText read = formats::read_calibration_text(found.bytes);
        if (!found.ok() || !read.faults.empty() || read.calibration.sensor != options_.sensor) {
            fmt::print(stderr, "dekeyctl: {}: {}; '--new' begins without the levels in it\n", printable(path),
                       !found.ok()           ? "can't be read"
                       : read.faults.empty() ? "levels of another sensor"
                                             : fmt::format("line {}: {}", read.faults[0].line, read.faults[0].what));
            return false;
        }
        kept_ = std::move(read.calibration);
        tell(options_, fmt::format("{} level{} of {} {} kept; '--new' begins without.", kept_.points.size(),
                                   kept_.points.size() == 1 ? "" : "s", path, kept_.points.size() == 1 ? "is" : "are"));
        return true;
    }
    return true;
}

bool CalibrationSession::keep(const formats::CalibrationPoint& point, std::optional<double> temperature_c) {
    const auto near = std::remove_if(kept_.points.begin(), kept_.points.end(), [&](const auto& old) {
        return std::fabs(old.dbm - point.dbm) < formats::closest_levels_db;
    });
    if (near != kept_.points.end())
        tell(options_,
             fmt::format("  It takes the place of a level less than {:g} dB away.", formats::closest_levels_db));
    kept_.points.erase(near, kept_.points.end());
    kept_.points.push_back(point);
    if (temperature_c) kept_.temperature_c = temperature_c;
    return save();
}

bool CalibrationSession::drop(std::size_t index) {
    kept_.points.erase(kept_.points.begin() + static_cast<std::ptrdiff_t>(index));
    return save();
}

formats::CalibrationFit CalibrationSession::fit(const core::PowerChain& chain) const {
    std::vector<formats::CalibrationLevel> levels;
    for (const formats::CalibrationPoint& point : kept_.points)
        levels.push_back({.volts = point.volts,
                          .indicated_dbm = core::detector_dbm(chain.detector, point.volts),
                          .reference_dbm = point.dbm});
    return formats::fit_calibration(std::move(levels), chain.conformance_db);
}

formats::Calibration CalibrationSession::calibration() const {
    formats::Calibration all = kept_;
    all.sensor = options_.sensor;
    all.date = utc_now();
    const std::string now = plain(options_.reference);
    if (all.reference.empty())
        all.reference = now;
    else if (all.reference.find(now) == std::string::npos)
        all.reference = plain(all.reference + ", " + now);
    all.reference_db = std::max(kept_.reference_db, options_.reference_db);
    return all;
}

bool CalibrationSession::save() {
    std::sort(kept_.points.begin(), kept_.points.end(), [](const auto& a, const auto& b) { return a.dbm < b.dbm; });
    if (kept_.points.empty()) return true;
    const std::string trouble = formats::write_durably(path_, formats::session_text(calibration()));
    if (!trouble.empty()) fmt::print(stderr, "dekeyctl: the level is not kept: {}\n", trouble);
    return trouble.empty();
}

}  // namespace dekeyd::ctl
