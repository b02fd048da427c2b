#include "bench/line_file.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <utility>

namespace bench {
namespace {

constexpr int polls_between_checks = 20;  // 20 ms at the usual pace

bool same_file(int descriptor, const char* path) noexcept {
    struct stat open_one {};
    struct stat there {};
    return ::fstat(descriptor, &open_one) == 0 && ::stat(path, &there) == 0 && open_one.st_ino == there.st_ino &&
           open_one.st_dev == there.st_dev;
}

}  // namespace

LineFile::LineFile(std::string path) : path_(std::move(path)) {
    open_again();
}

LineFile::~LineFile() {
    if (descriptor_ >= 0) ::close(descriptor_);
}

void LineFile::open_again() noexcept {
    if (descriptor_ >= 0) ::close(descriptor_);
    descriptor_ = ::open(path_.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC);
}

bool LineFile::permits() noexcept {
    if (descriptor_ < 0) open_again();
    if (descriptor_ >= 0 && --polls_until_check_ <= 0) {
        polls_until_check_ = polls_between_checks;
        if (!same_file(descriptor_, path_.c_str())) open_again();
    }
    char first = '\0';
    return descriptor_ >= 0 && ::pread(descriptor_, &first, 1, 0) == 1 && first == '1';
}

}  // namespace bench
