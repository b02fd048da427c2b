// How often this thread has asked for memory: for what must not.
#pragma once

#include <cstdint>

namespace dekeyd::test {

std::uint64_t allocations_of_this_thread() noexcept;

}  // namespace dekeyd::test
