#include "maths/drive.hpp"

#include <algorithm>
#include <cmath>

#include "plan/reading.hpp"
namespace dekeyd::core {

namespace {

/// Drive above the small-signal line's at saturation, for an output so far below the 1 dB point.
double drive_at_db(double back_off_db, double smoothness) noexcept {
    const double output_db = output_at_compression_db(1.0, smoothness) - back_off_db;
    return output_db + compression_at_output_db(std::min(output_db, 0.0), smoothness);
}

}  // namespace

DriveAnswer assess_drive(const DriveQuestion& question) noexcept {
    const auto sound = [](double db) { return std::abs(db) <= largest_dbm; };
    DriveAnswer answer;
    if (!sound(question.level_dbm) || !sound(question.advised_db)) return answer;
    std::optional<double> back_off_db;
    if (question.one_db_dbm && sound(*question.one_db_dbm)) back_off_db = *question.one_db_dbm - question.level_dbm;
    if (question.compression_db && sound(*question.compression_db)) {
        // Under the least that shows, the knee is farther away than can be told.
        if (const auto room = head_room_to_1_db(*question.compression_db, question.smoothness))
            back_off_db = back_off_db ? std::min(*back_off_db, room->output_db) : room->output_db;
    }
    if (!back_off_db) return answer;
    answer.back_off_db = *back_off_db;
    // No output is at or above saturation: a stated 1 dB point that says so is off by more than can be told.
    const double saturated_db = output_at_compression_db(1.0, question.smoothness);
    const double deepest_db = saturated_db - output_at_compression_db(deepest_compression_db, question.smoothness);
    answer.at_least = *back_off_db <= deepest_db;
    answer.drive_db = drive_at_db(std::max(*back_off_db, deepest_db), question.smoothness) -
                      drive_at_db(question.advised_db, question.smoothness);
    answer.drive_db = std::clamp(answer.drive_db, -largest_dbm, largest_dbm);
    answer.verdict = answer.drive_db > drive_tolerance_db ? DriveVerdict::too_high : DriveVerdict::right;
    return answer;
}

}  // namespace dekeyd::core
