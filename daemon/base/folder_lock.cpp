#include "base/folder_lock.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <cerrno>
#include <charconv>
#include <filesystem>
#include <system_error>

#include "base/durable_file.hpp"

namespace dekeyd {
namespace {

// A predecessor that is just ending, or a stop hook that is just tidying up.
constexpr int lock_tries = 11;
constexpr timespec lock_pause{.tv_sec = 0, .tv_nsec = 50'000'000};

// For reading where it is there: a storage that is frozen, read-only or full can still be locked.
int open_lock(const std::string& path) noexcept {
    const int file = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    if (file >= 0 || errno != ENOENT) return file;
    return ::open(path.c_str(), O_RDONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, 0640);
}

/// False where the name has come to mean another file meanwhile.
bool is_named(int file, const std::string& path) noexcept {
    struct stat open {};
    struct stat named {};
    return ::fstat(file, &open) == 0 && ::stat(path.c_str(), &named) == 0 && open.st_ino == named.st_ino &&
           open.st_dev == named.st_dev;
}

std::string who_has(const std::string& path) {
    const formats::FileBytes file = formats::read_whole(path, 32);
    int number = 0;
    std::from_chars(file.bytes.data(), file.bytes.data() + file.bytes.size(), number);
    std::error_code ignored;
    const bool lives = number > 0 && std::filesystem::exists(fmt::format("/proc/{}", number), ignored);
    return lives ? fmt::format("process {}", number) : std::string{"another process"};
}

}  // namespace

FolderLock::Taken FolderLock::lock(const std::string& folder) {
    path_ = folder + "/lock";
    for (int left = lock_tries; left > 0; --left) {
        const int file = open_lock(path_);
        if (file < 0) {
            trouble_ = formats::file_trouble("can't open", path_, errno);
            return Taken::no;
        }
        if (::flock(file, LOCK_EX | LOCK_NB) == 0) {
            if (is_named(file, path_)) {
                file_ = file;
                return Taken::yes;
            }
        } else if (errno != EWOULDBLOCK) {
            trouble_ = formats::file_trouble("can't lock", path_, errno);
            ::close(file);
            return Taken::no;
        }
        ::close(file);
        ::nanosleep(&lock_pause, nullptr);
    }
    trouble_ = fmt::format("{} is in use by {}", folder, who_has(path_));
    return Taken::by_another;
}

void FolderLock::tell_who() const noexcept {
    const int file = ::open(path_.c_str(), O_WRONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    if (file < 0) return;
    char text[16];
    const auto end = std::to_chars(text, text + sizeof text - 1, ::getpid()).ptr;
    *end = '\n';
    const auto size = static_cast<std::size_t>(end - text) + 1;
    // Shortened first and last alike: a longer number of before must not be left over.
    if (::ftruncate(file, 0) == 0) formats::write_at(file, {text, size}, 0);
    ::close(file);
}

}  // namespace dekeyd
