#include "words/signal_text.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "words/drive_text.hpp"
#include "words/event_text.hpp"
#include "words/units.hpp"

namespace dekeyd::formats {
namespace {

constexpr double step_db = 0.5;

/// Rounded to the worse, but not across the level that it isn't below.
std::string measured_decibels(double db, double level_db) {
    const double rounded = std::floor(db / step_db) * step_db;
    return fmt::format("{:.1f} dB", db < level_db ? rounded : std::max(rounded, level_db));
}

std::string name_of(SignalMeasure measure) {
    return capital(signal_measure_names.of(measure));
}

std::string came(const ReceivedMeasure& received) {
    return fmt::format("received from {} at most {} ago", received.topic,
                       show(received.age_at_most.value_or(received.allowed_age)));
}

/// "40.5 dB, was below 40 dB and isn't 1 dB above yet".
std::string compared(const ReceivedMeasure& received) {
    const double db = received.value_db.value_or(0.0), level = received.warn_below_db;
    const std::string of = show(level, Dimension::ratio_db);
    if (db < level) return fmt::format("{}, below {}", measured_decibels(db, level), of);
    if (!received.warns) return fmt::format("{}, not below {}", measured_decibels(db, level), of);
    return fmt::format("{}, was below {} and isn't {:g} dB above it yet", measured_decibels(db, level), of,
                       signal_hysteresis_db);
}

std::string measure_sentence(SignalMeasure measure, const ReceivedMeasure& received) {
    const std::string name = name_of(measure);
    switch (received.state) {
        case ReceivedState::awaited: return fmt::format("{}: nothing has come from {} yet.", name, received.topic);
        case ReceivedState::good: return fmt::format("{} {}: {}.", name, compared(received), came(received));
        case ReceivedState::not_of_this:
            return fmt::format("{}: nothing of this transmission has come from {} yet.", name, received.topic);
        case ReceivedState::of_unknown_age:
            return fmt::format("{}: {} of unknown age at {}, which counts for nothing.", name,
                               received.value_db ? fmt::format("{:.1f} dB", *received.value_db) : "a number",
                               received.topic);
        case ReceivedState::stale:
            return fmt::format("{}: nothing has come from {} for more than {}.", name, received.topic,
                               show(received.allowed_age));
        case ReceivedState::unreadable:
            return fmt::format("{}: what {} says is no plain number in dB.", name, received.topic);
    }
    return {};
}

std::string verdict(std::size_t good, bool warns) {
    if (warns) return "Not clean.";
    if (good == 0) return "Not known by measurement.";
    return good == signal_measure_count ? "Clean by both measurements." : "Known in part.";
}

/// Compression and back-off, which are the amplifier's alone.
std::string amplifier_sentence(const core::Plan& plan, const core::Snapshot& snapshot) {
    constexpr std::string_view limits = "of the amplifier alone, which says nothing of the exciter";
    const auto drive = drive_answer(plan, snapshot);
    if (drive && drive->verdict != core::DriveVerdict::unknown) {
        if (drive->verdict != core::DriveVerdict::right)
            return fmt::format("The drive is too high for linear {}: expect distortion.", plan.rf.emission.name);
        return fmt::format("The drive is right for linear {}: {}.", plan.rf.emission.name, limits);
    }
    const core::QuantityIndex index = plan.index(core::Derived::compression);
    if (index < snapshot.quantities.size() && snapshot.quantities[index].health == core::Health::good) {
        const double db = std::round(snapshot.quantities[index].value / step_db) * step_db;
        return fmt::format("Compression some {:.1f} dB: {}.", std::max(db, 0.0), limits);
    }
    return "Neither compression nor back-off is known.";
}

std::string missing_sentence(const SignalReport& report) {
    std::string missing;
    std::size_t count = 0;
    for (std::size_t i = 0; i < signal_measure_count; ++i) {
        if (report.measures[i]) continue;
        missing += (count++ == 0 ? "" : " nor ") + std::string{signal_measure_names.of(static_cast<SignalMeasure>(i))};
    }
    if (count == 0) return {};
    if (count == 1) return capital(missing) + " isn't measured.";
    return fmt::format("Neither {} is measured: no receiver is configured ('signal:').", missing);
}

}  // namespace

std::string signal_text(const core::Plan& plan, const core::Snapshot& snapshot, const SignalReport& report) {
    if (!report.guard_answers)
        return "Not known: the guard doesn't answer, so a number that is received may be of no transmission.";
    if (!plan.roles.forward)
        return "Not known: no forward power is measured, so a number that is received may be of no transmission.";
    if (!snapshot.transmitting_since)
        return "Not transmitting: a number that is received says nothing of this amplifier now.";
    std::string text;
    std::size_t good = 0;
    for (std::size_t i = 0; i < signal_measure_count; ++i) {
        const auto& received = report.measures[i];
        if (!received) continue;
        text += ' ' + measure_sentence(static_cast<SignalMeasure>(i), *received);
        good += received->state == ReceivedState::good ? 1U : 0U;
    }
    text = verdict(good, report.warns()) + text;
    if (const std::string missing = missing_sentence(report); !missing.empty()) text += ' ' + missing;
    return text + ' ' + amplifier_sentence(plan, snapshot);
}

std::string signal_warning(SignalMeasure measure, const ReceivedMeasure& received) {
    return fmt::format("The signal is not clean: {} {}, received from {}. This is a warning and no more.",
                       signal_measure_names.of(measure), compared(received), received.topic);
}

}  // namespace dekeyd::formats
