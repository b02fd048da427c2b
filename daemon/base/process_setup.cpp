#include "base/process_setup.hpp"

#include <fmt/format.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>

#include <cerrno>
#include <cstring>

namespace dekeyd {

void forbid_core_dumps() noexcept {
    constexpr rlimit none{.rlim_cur = 0, .rlim_max = 0};
    ::setrlimit(RLIMIT_CORE, &none);
    ::prctl(PR_SET_DUMPABLE, 0, 0, 0, 0);
}

std::string lock_memory() {
    rlimit allowed{};
    ::getrlimit(RLIMIT_MEMLOCK, &allowed);
    int what = static_cast<int>(MCL_CURRENT) | static_cast<int>(MCL_ONFAULT);
    // With a limit, a locked future means that the next thread or buffer can't be had.
    if (allowed.rlim_cur == RLIM_INFINITY) what |= static_cast<int>(MCL_FUTURE);
    if (::mlockall(what) == 0) return {};
    return fmt::format("memory can't be locked: {}; expected LimitMEMLOCK=infinity in the unit, or CAP_IPC_LOCK",
                       std::strerror(errno));
}

}  // namespace dekeyd
