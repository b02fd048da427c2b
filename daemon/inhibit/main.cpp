// The stop hook: drives the inhibit line to inhibit when the daemon is gone, after any kind of end. It knows
// the line from the run-time file that the daemon wrote, so that a broken configuration can't stop it.
#include <fcntl.h>
#include <sys/file.h>
#include <time.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <dekeyd_version.hpp>
#include <exception>
#include <memory>
#include <optional>
#include <string>

#include "drivers/line.hpp"
#include "drivers/standard_descriptors.hpp"
#include "drivers/stop_hook.hpp"

namespace {

using dekeyd::drivers::Line;
using dekeyd::drivers::LineAddress;
using dekeyd::drivers::LineError;

constexpr int not_open = -1;

enum ExitCode { inhibited = 0, not_inhibited = 1, wrong_use = 2 };

/// A process that is being killed holds the line for a moment more.
std::unique_ptr<Line> open_when_free(const LineAddress& address) {
    for (int left = dekeyd::drivers::stop_hook_tries;;) {
        try {
            return dekeyd::drivers::open_line(address);
        } catch (const LineError& error) {
            if (!error.busy || --left == 0) throw;
        }
        const timespec pause{.tv_sec = 0,
                             .tv_nsec = std::chrono::nanoseconds{dekeyd::drivers::stop_hook_pause}.count()};
        ::nanosleep(&pause, nullptr);
    }
}

int inhibit(const LineAddress& address) {
    const std::unique_ptr<Line> line = open_when_free(address);  // which requests it at inhibit
    const bool written = line->write(false);
    const std::optional<bool> permits = line->read_back();
    const std::string what = line->describe();
    if (!written || permits.value_or(true)) {
        std::fprintf(stderr, "dekeyd-inhibit: %s: %s; switch the amplifier off by hand and check the wiring\n",
                     what.c_str(),
                     !written  ? "the write failed"
                     : permits ? "reads back as permit"
                               : "can't be read back");
        return not_inhibited;
    }
    std::printf("dekeyd-inhibit: inhibited: %s\n", what.c_str());
    return inhibited;
}

/// A line that is inhibited and let go has no owner any more: its pad may be wired as an input before the next call. A
/// daemon that runs has the lock, and its files stay.
void forget(const std::string& path) {
    const std::size_t slash = path.rfind('/');
    const std::string lock_path = (slash == std::string::npos ? std::string{"."} : path.substr(0, slash)) + "/lock";
    const int lock = ::open(lock_path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    // Without a lock it is no daemon's folder.
    if (::flock(lock, LOCK_EX | LOCK_NB) == 0 && ::unlink(path.c_str()) != 0) {
        std::fprintf(stderr, "dekeyd-inhibit: %s can't be removed: %s\n", path.c_str(), std::strerror(errno));
    }
    ::close(lock);
}

int inhibit_from_file(const char* path) {
    const int file = ::open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (file == not_open && errno == ENOENT) {
        std::printf("dekeyd-inhibit: %s is absent: there is no line that a daemon took and that isn't inhibited yet\n",
                    path);
        return inhibited;
    }
    std::array<char, 4096> buffer{};
    const ssize_t size = file == not_open ? file : ::read(file, buffer.data(), buffer.size());
    const int why = errno;
    ::close(file);
    if (size < 0) {
        std::fprintf(stderr,
                     "dekeyd-inhibit: %s: %s; expected the file that the daemon writes when it takes its line\n", path,
                     std::strerror(why));
        return wrong_use;
    }
    try {
        const auto address = dekeyd::drivers::from_text(std::string(buffer.data(), static_cast<std::size_t>(size)));
        if (!address) {
            std::fprintf(stderr,
                         "dekeyd-inhibit: %s: not a line's address; expected one line that begins with "
                         "'dekeyd-line 1' and ends with 'end'\n",
                         path);
            return wrong_use;
        }
        const int code = inhibit(*address);
        if (code == inhibited) forget(path);
        return code;
    } catch (const std::exception& error) {
        std::fprintf(stderr, "dekeyd-inhibit: not inhibited: %s\n", error.what());
        return not_inhibited;
    }
}

}  // namespace

int main(int count, char** arguments) {
    dekeyd::drivers::open_standard_descriptors();
    if (count == 2 && std::strcmp(arguments[1], "--version") == 0) {
        std::printf("dekeyd-inhibit %s\n", dekeyd_version);
        return inhibited;
    }
    if (count < 2 || arguments[1][0] == '-') {
        std::fprintf(
            stderr,
            "usage: dekeyd-inhibit FILE...\n"
            "Drives the line named in each FILE (the daemon writes <run>/line and, with a supply contactor,\n"
            "<run>/contactor) to inhibit, and removes the FILE once that is done and the daemon is gone.\n"
            "Exit code: 0 all inhibited, or FILE absent; 1 one not inhibited; 2 FILE unreadable or not ours.\n");
        return wrong_use;
    }
    int worst = inhibited;
    for (int i = 1; i < count; ++i) {
        const int code = inhibit_from_file(arguments[i]);  // each is tried, also after a failure
        if (worst == inhibited || code == not_inhibited) worst = code;
    }
    return worst;
}
