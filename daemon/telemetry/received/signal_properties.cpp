#include "telemetry/received/signal_properties.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "words/event_text.hpp"
#include "words/signal_text.hpp"

namespace dekeyd::homie {
namespace {

using formats::ReceivedMeasure;
using formats::SignalMeasure;

const std::optional<ReceivedMeasure>& received(const Facts& facts, std::uint16_t index) {
    return facts.around.signal.measures.at(index);
}

Value clean(const Facts& facts, std::uint16_t /*index*/) {
    return {.text = formats::signal_text(facts.plan, facts.snapshot, facts.around.signal), .number = {}};
}

Value warning(const Facts& facts, std::uint16_t /*index*/) {
    return {.text = facts.around.signal.warns() ? "true" : "false", .number = {}};
}

/// A number that is there was measured not long ago; whether in this transmission, its state says.
Value number(const Facts& facts, std::uint16_t index) {
    const auto& one = received(facts, index);
    if (!one || !one->value_db || !one->age_at_most) return {};
    return {.text = fmt::format("{:.1f}", *one->value_db), .number = {}};
}

Value state(const Facts& facts, std::uint16_t index) {
    const auto& one = received(facts, index);
    return {.text = std::string{formats::received_words.of(one ? one->state : formats::ReceivedState::awaited)},
            .number = {}};
}

}  // namespace

std::vector<Property> signal_properties(const formats::Configuration& configuration, std::string_view node) {
    std::vector<Property> all;
    if (node != "signal") return all;
    const auto add = [&](std::string id, std::string name, Datatype datatype, Shown shown, auto value) -> Property& {
        Property& one = all.emplace_back();
        one.id = std::move(id);
        one.name = std::move(name);
        one.datatype = datatype;
        one.shown = shown;
        one.value = value;
        return one;
    };
    add("clean", "Is the signal clean?", Datatype::string, {Face::reading, Rank::diagnostic}, clean);
    if (!configuration.signal) return all;
    add("warning", "The signal is not clean", Datatype::boolean, {Face::problem, Rank::shown}, warning);
    for (std::size_t i = 0; i < formats::signal_measure_count; ++i) {
        if (!configuration.signal->at(i)) continue;
        const auto measure = static_cast<SignalMeasure>(i);
        const std::string id{formats::signal_measure_ids.of(measure)};
        const std::string name = formats::capital(formats::signal_measure_names.of(measure));
        Property& value = add(id, name, Datatype::number, {Face::reading, Rank::shown}, number);
        value.unit = core::symbol(core::Unit::decibel);
        value.index = static_cast<std::uint16_t>(i);
        Property& worth = add(id + "-state", name + ": what it is worth", Datatype::enumeration,
                              {Face::reading, Rank::diagnostic}, state);
        worth.format = fmt::format("{}", fmt::join(formats::received_words.all(), ","));
        worth.index = static_cast<std::uint16_t>(i);
    }
    return all;
}

std::map<std::string, Alert> signal_alerts(const formats::SignalReport& report) {
    std::map<std::string, Alert> standing;
    for (std::size_t i = 0; i < report.measures.size(); ++i) {
        const auto& one = report.measures[i];
        if (!one || !one->warns) continue;
        const auto measure = static_cast<SignalMeasure>(i);
        standing[fmt::format("signal-{}", formats::signal_measure_ids.of(measure))] = {
            formats::signal_warning(measure, *one), false};
    }
    return standing;
}

}  // namespace dekeyd::homie
