#include "drivers/tree.hpp"

#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <new>

namespace {
thread_local std::size_t allocation_count = 0;
}

void* operator new(std::size_t size) {
    ++allocation_count;
    if (void* memory = std::malloc(size == 0 ? 1 : size)) return memory;
    throw std::bad_alloc();
}
void* operator new(std::size_t size, const std::nothrow_t&) noexcept {
    ++allocation_count;
    return std::malloc(size == 0 ? 1 : size);
}
void operator delete(void* memory) noexcept {
    std::free(memory);
}
void operator delete(void* memory, std::size_t) noexcept {
    std::free(memory);
}

namespace dekeyd::test {

std::size_t allocations() noexcept {
    return allocation_count;
}

int as_nobody(int (*work)(const std::string&), const std::string& argument) {
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        if (::geteuid() == 0 && (::setgid(65534) != 0 || ::setuid(65534) != 0)) ::_exit(255);
        ::_exit(work(argument));
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WIFEXITED(status));
    return WEXITSTATUS(status) == 255 ? -1 : WEXITSTATUS(status);
}

}  // namespace dekeyd::test
