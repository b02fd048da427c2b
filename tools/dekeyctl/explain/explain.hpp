// What stands behind the numbers, as text: from volts to watts, how good each is, and what leaves the antenna.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"

namespace dekeyd::ctl {

/// As wide as paragraphs are, where nothing is said.
inline constexpr std::size_t usual_width = 96;

/// Rows of `explain`: each power's chain with every term, VSWR's intervals, exposure.
std::vector<std::string> explain(const formats::Configuration& configuration, std::size_t width = usual_width);
/// The same figures.
nlohmann::ordered_json explain_json(const formats::Configuration& configuration);

/// Rows of `plan`: the level budget from the exciter to the antenna. Needs configuration.level_plan.
std::vector<std::string> plan_levels(const formats::Configuration& configuration, std::size_t width = usual_width);
/// The same figures; needs the same.
nlohmann::ordered_json plan_json(const formats::Configuration& configuration);

/// EIRP and the distances at which the configured limits are met, at the forward trip plus its uncertainty; with the
/// caution. Empty where no antenna is configured.
std::vector<std::string> exposure_rows(const formats::Configuration& configuration, std::size_t width = usual_width);

/// "a log law of -24.4 mV/dB with its intercept at 19.6 dBm".
std::string law(const core::Detector& detector);

/// A heading, and paragraphs wrapped to `width` columns below it, each indented.
std::vector<std::string> paragraph(const std::string& text, std::size_t width = usual_width,
                                   const std::string& indent = "  ");

/// The configuration; without one its faults are `check`'s to show, and here their number and the way there are told.
std::optional<formats::Configuration> load_or_say(const std::string& file);

/// Rows of a screen, and how wide its paragraphs are.
struct Rows : std::vector<std::string> {
    explicit Rows(std::size_t columns) : width{columns} {}
    std::size_t width;
};

/// A paragraph more, in its rows.
void add(Rows& rows, const std::string& text);

}  // namespace dekeyd::ctl
