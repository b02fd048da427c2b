// A plain file in the inhibit line's place: for the bench. It protects nothing.
#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <utility>

#include "drivers/gpio.hpp"

namespace dekeyd::drivers {

namespace {

constexpr ssize_t text_size = 2;

class FileLine final : public Line {
public:
    FileLine(int file, std::string path) noexcept : file_(file), path_(std::move(path)) {}
    ~FileLine() override {
        write(false);
        ::close(file_);
    }

    // One pwrite of constant length, so that no reader sees half a value.
    bool write(bool permit) noexcept override {
        ssize_t written = -1;
        do {
            written = ::pwrite(file_, permit ? "1\n" : "0\n", text_size, 0);
        } while (written < 0 && errno == EINTR);
        return written == text_size;
    }

    std::optional<bool> read_back() noexcept override {
        struct stat there {};
        if (::fstat(file_, &there) != 0 || there.st_nlink == 0) return std::nullopt;  // its reader has lost it
        char level = 0;
        if (::pread(file_, &level, 1, 0) != 1) return std::nullopt;
        if (level == '1') return true;
        if (level == '0') return false;
        return std::nullopt;
    }

    std::string describe() const override { return "file " + path_ + " (for the bench: it protects nothing)"; }

private:
    int file_;
    std::string path_;
};

}  // namespace

std::unique_ptr<Line> open_file_line(const LineAddress& address) {
    const auto refuse = [&address](const std::string& why) {
        return LineError("line file '" + address.path + "': " + why +
                         "; expected a plain file in a folder that this "
                         "user may write");
    };
    const int file = ::open(address.path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NONBLOCK | O_NOCTTY,
                            S_IRUSR | S_IWUSR | S_IRGRP | S_IROTH);
    if (file < 0) throw refuse(std::strerror(errno));
    struct stat there {};
    if (::fstat(file, &there) != 0 || !S_ISREG(there.st_mode)) {
        ::close(file);
        throw refuse("not a plain file");
    }
    // One owner, as a GPIO line has one.
    if (::flock(file, LOCK_EX | LOCK_NB) != 0) {
        const bool busy = errno == EWOULDBLOCK;
        LineError error = refuse(busy ? std::string("held by another program") : std::strerror(errno));
        error.busy = busy;
        ::close(file);
        throw error;
    }
    auto line = std::make_unique<FileLine>(file, address.path);
    if (!line->write(false) || ::ftruncate(file, text_size) != 0) throw refuse(std::strerror(errno));
    return line;
}

}  // namespace dekeyd::drivers
