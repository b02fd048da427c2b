#include "words/drive_text.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "maths/rf.hpp"

namespace dekeyd::formats {
namespace {

std::string decibels(double db, double step_db) {
    const double rounded = std::round(db / step_db) * step_db;
    return fmt::format("{:.1f} dB", std::abs(rounded));
}

}  // namespace

std::string drive_sentence(const core::DriveAnswer& answer, const core::EmissionPlan& emission, double step_db) {
    if (!emission.back_off_db) return {};
    if (answer.verdict == core::DriveVerdict::unknown)
        return fmt::format(
            "Whether the drive is right for linear {} isn't known: neither a 1 dB point ('one_db_forward:') nor "
            "compression is.",
            emission.name);
    const std::string where =
        fmt::format("{}{} {} the 1 dB point, {} advised", emission.of_peak ? "its peaks are " : "",
                    decibels(answer.back_off_db, step_db), answer.back_off_db < 0.0 ? "beyond" : "below",
                    decibels(*emission.back_off_db, 0.1));
    if (answer.verdict == core::DriveVerdict::right)
        return fmt::format("Drive right for linear {}: {}.", emission.name, where);
    return fmt::format("Drive {}{} too high for linear {}: {}.", answer.at_least ? "at least " : "",
                       decibels(std::max(answer.drive_db, step_db), step_db), emission.name, where);
}

std::optional<core::DriveAnswer> drive_answer(const core::Plan& plan, const core::Snapshot& snapshot) {
    const core::EmissionPlan& emission = plan.rf.emission;
    if (!emission.back_off_db || snapshot.state != core::State::permitted || !plan.roles.forward) return std::nullopt;
    const auto reading = [&](core::QuantityIndex index) -> const core::Reading* {
        return index < snapshot.quantities.size() && snapshot.quantities[index].health == core::Health::good
                   ? &snapshot.quantities[index]
                   : nullptr;
    };
    const core::Reading* const level =
        reading(plan.index(emission.of_peak ? core::Derived::peak_forward : core::Derived::mean_forward));
    if (!snapshot.rf_present || level == nullptr || !(level->value >= plan.rf.minimum_forward_w)) return std::nullopt;
    const core::Reading* const compression = reading(plan.index(core::Derived::compression));
    core::DriveQuestion question;
    question.level_dbm = core::dbm_from_watts(level->value);
    if (plan.rf.one_db_forward_w) question.one_db_dbm = core::dbm_from_watts(*plan.rf.one_db_forward_w);
    if (compression != nullptr) question.compression_db = compression->value;
    question.advised_db = *emission.back_off_db;
    return core::assess_drive(question);
}

std::string drive_text(const core::Plan& plan, const core::Snapshot& snapshot) {
    const auto answer = drive_answer(plan, snapshot);
    return answer ? drive_sentence(*answer, plan.rf.emission, 0.5) : std::string{};
}

}  // namespace dekeyd::formats
