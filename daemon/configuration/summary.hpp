// Parts of what the configuration says of itself, for pages that show them one by one.
#pragma once

#include <string>
#include <string_view>

#include "configuration/configuration.hpp"

namespace dekeyd::formats {

/// "converter", "1-Wire thermometers".
std::string_view driver_words(BusDriver driver);

/// When it trips or warns, how that ends, and how long it takes at worst.
std::string limit_sentence(const Configuration& configuration, const core::LimitPlan& limit);

}  // namespace dekeyd::formats
