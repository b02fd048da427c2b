// How often this thread has asked for memory: for what must not.
#pragma once

#include <cstdint>

namespace dekeyd::test {

/// Sanitizers bring their own operator new: nothing is counted there.
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define DEKEYD_OWN_NEW 0
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define DEKEYD_OWN_NEW 0
#endif
#endif
#ifndef DEKEYD_OWN_NEW
#define DEKEYD_OWN_NEW 1
#endif
inline constexpr bool allocations_are_counted = DEKEYD_OWN_NEW != 0;

std::uint64_t allocations_of_this_thread() noexcept;

}  // namespace dekeyd::test
