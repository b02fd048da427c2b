#include "base/process_setup.hpp"

#include <fmt/format.h>
#include <malloc.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>

#include <cerrno>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

namespace dekeyd {

void forbid_core_dumps() noexcept {
    constexpr rlimit none{.rlim_cur = 0, .rlim_max = 0};
    ::setrlimit(RLIMIT_CORE, &none);
    ::prctl(PR_SET_DUMPABLE, 0, 0, 0, 0);
}

void use_one_heap() noexcept {
#ifdef __GLIBC__
    ::mallopt(M_ARENA_MAX, 1);
    ::mallopt(M_TOP_PAD, 1024 * 1024);  // it grows seldom, and what isn't touched takes no memory
    ::mallopt(M_TRIM_THRESHOLD, -1);    // what was given back is needed again, and each time would be a system call
#endif
}

namespace {

struct Mapping {
    std::uintptr_t begin = 0, end = 0;
    bool code = false;
    bool file_alone = false;  ///< nothing of it was ever written to: it can be had from the file again
};

/// What is mapped of files and can't be written: code and constants of the program and its libraries.
std::vector<Mapping> mapped_files() {
    std::vector<Mapping> all;
    std::ifstream maps{"/proc/self/smaps"};
    for (std::string line; std::getline(maps, line);) {
        std::istringstream words{line};
        std::string first, second, rest;
        words >> first >> second;
        if (const std::size_t dash = first.find('-'); dash != std::string::npos) {
            std::string offset, device, inode, path;
            words >> offset >> device >> inode >> path;
            Mapping one;
            const bool readable = second == "r-xp" || second == "r--p";
            if (readable && path.starts_with('/')) {
                constexpr int hexadecimal = 16;
                one = {.begin = std::stoull(first, nullptr, hexadecimal),
                       .end = std::stoull(first.substr(dash + 1), nullptr, hexadecimal),
                       .code = second == "r-xp"};
            }
            all.push_back(one);
        } else if (first == "Anonymous:" && !all.empty()) {
            all.back().file_alone = second == "0";
        }
    }
    return all;
}

void* at(std::uintptr_t address) {
    return reinterpret_cast<void*>(address);  // NOLINT(performance-no-int-to-ptr): the kernel's own words
}

/// The kernel reads these pages again if they are needed.
void let_go(const std::vector<Mapping>& files) noexcept {
#ifdef __GLIBC__
    ::malloc_trim(0);
#endif
    for (const Mapping& one : files) {
        if (one.end > one.begin && one.file_alone) ::madvise(at(one.begin), one.end - one.begin, MADV_DONTNEED);
    }
}

}  // namespace

void let_go_of_the_start() {
    let_go(mapped_files());
}

std::string lock_memory() {
    const std::vector<Mapping> files = mapped_files();
    let_go(files);
    rlimit allowed{};
    ::getrlimit(RLIMIT_MEMLOCK, &allowed);
    int what = static_cast<int>(MCL_CURRENT) | static_cast<int>(MCL_ONFAULT);
    // With a limit, a locked future means that the next thread or buffer can't be had.
    if (allowed.rlim_cur == RLIM_INFINITY) what |= static_cast<int>(MCL_FUTURE);
    if (::mlockall(what) == 0) {
        // The program's own code is there as a whole: a trip's is needed for the first time when there is a trip.
        const auto here = reinterpret_cast<std::uintptr_t>(&lock_memory);
        for (const Mapping& one : files) {
            if (one.code && here >= one.begin && here < one.end) ::mlock(at(one.begin), one.end - one.begin);
        }
        return {};
    }
    return fmt::format("memory can't be locked: {}; expected LimitMEMLOCK=infinity in the unit, or CAP_IPC_LOCK",
                       std::strerror(errno));
}

}  // namespace dekeyd
