// The second opinion's bounds for a configuration, and in sentences that a person can verify by hand.
#pragma once

#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "second_opinion/bounds.hpp"

namespace dekeyd::formats {

second_opinion::Bounds raw_bounds(const Configuration& configuration);
second_opinion::Monitor second_opinion_of(const Configuration& configuration);

std::vector<std::string> raw_bound_sentences(const Configuration& configuration);

}  // namespace dekeyd::formats
