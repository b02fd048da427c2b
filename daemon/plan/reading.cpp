#include "plan/reading.hpp"

namespace dekeyd::core {}  // namespace dekeyd::core
