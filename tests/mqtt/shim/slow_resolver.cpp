// A resolver that takes its time, for a program whose library is this (LD_PRELOAD): the name in SLOW_RESOLVER_NAME is
// 127.0.0.1 after SLOW_RESOLVER_S seconds, in which the calling thread sleeps as it would in glibc's own resolver while
// no name server answers. Each question adds a line to the file SLOW_RESOLVER_LOG when it is asked and when answered.
#include <dlfcn.h>
#include <fcntl.h>
#include <netdb.h>
#include <time.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>

namespace {

void say(const char* line) {
    const char* path = std::getenv("SLOW_RESOLVER_LOG");
    const int fd = path == nullptr ? -1 : ::open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (fd < 0) return;
    if (::write(fd, line, std::strlen(line)) < 0) ::_exit(99);
    ::close(fd);
}

}  // namespace

extern "C" int getaddrinfo(const char* node, const char* service, const addrinfo* hints, addrinfo** result) {
    using Function = int (*)(const char*, const char*, const addrinfo*, addrinfo**);
    static const auto real = reinterpret_cast<Function>(::dlsym(RTLD_NEXT, "getaddrinfo"));
    const char* slow = std::getenv("SLOW_RESOLVER_NAME");
    const char* length = std::getenv("SLOW_RESOLVER_S");
    if (slow == nullptr || length == nullptr || node == nullptr || std::strcmp(node, slow) != 0) {
        return real(node, service, hints, result);
    }
    say("asked\n");
    timespec left{.tv_sec = std::atol(length), .tv_nsec = 0};
    while (::clock_nanosleep(CLOCK_MONOTONIC, 0, &left, &left) == EINTR) {
    }
    say("answered\n");
    return real("127.0.0.1", service, hints, result);
}
