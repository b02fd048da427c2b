#include "core/reading.hpp"

namespace dekeyd::core {}  // namespace dekeyd::core
