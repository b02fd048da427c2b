#include "app/allocations.hpp"

#include <cstdlib>
#include <new>

namespace {

thread_local std::uint64_t allocations = 0;

#if DEKEYD_OWN_NEW
void* allocate(std::size_t size) {
    ++allocations;
    if (void* const memory = std::malloc(size == 0 ? 1 : size)) return memory;
    throw std::bad_alloc{};
}
#endif

}  // namespace

namespace dekeyd::test {

std::uint64_t allocations_of_this_thread() noexcept {
    return allocations;
}

}  // namespace dekeyd::test

#if DEKEYD_OWN_NEW
// The program's own, so that they can be counted.
void* operator new(std::size_t size) {
    return allocate(size);
}
void* operator new[](std::size_t size) {
    return allocate(size);
}
void operator delete(void* memory) noexcept {
    std::free(memory);
}
void operator delete[](void* memory) noexcept {
    std::free(memory);
}
void operator delete(void* memory, std::size_t /*size*/) noexcept {
    std::free(memory);
}
void operator delete[](void* memory, std::size_t /*size*/) noexcept {
    std::free(memory);
}
#endif
