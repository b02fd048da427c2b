// Which sensor was meant, whether it is missing, and which new one may take its place: the thinking part of `adopt`.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "configuration/configuration.hpp"

namespace dekeyd::ctl {

/// One thermometer on the wire, as it reads now.
struct OnWire {
    std::string address;
    std::optional<double> value{};  ///< degC
    std::string fault{};            ///< why there is none
};

/// What is to be done, or why nothing is.
struct Adoption {
    std::string sensor{}, name{};
    std::string old_address{}, new_address{};
    std::string old_words{};  ///< what is wrong with the old one
    double new_value = 0.0;   ///< degC
    std::string refusal{};    ///< empty: the rest is set
};

/// `what`: a role of the configuration, or a sensor's id. `address`: the new one's, or empty where there is only one.
/// Refused: nothing of that name, nothing that has an id of its own, the old one reads well, no new one, several new
/// ones or several missing ones without an `address`, a new one whose reading lies outside the sensor's window.
Adoption find_adoption(const formats::Configuration& configuration, std::string_view what, std::string_view address,
                       const std::vector<OnWire>& on_wire);

}  // namespace dekeyd::ctl
