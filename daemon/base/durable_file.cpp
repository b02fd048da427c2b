#include "base/durable_file.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <filesystem>
#include <system_error>

namespace dekeyd::formats {
namespace {

constexpr int failed = -1;  // what open(2), read(2) and write(2) say then

/// Closes on every way out; close() by hand where its error matters.
class Descriptor {
public:
    explicit Descriptor(int fd) noexcept : fd_{fd} {}
    Descriptor(const Descriptor&) = delete;
    Descriptor& operator=(const Descriptor&) = delete;
    ~Descriptor() {
        if (fd_ != failed) ::close(fd_);
    }
    [[nodiscard]] int get() const noexcept { return fd_; }
    int close() noexcept {
        const int fd = fd_;
        fd_ = failed;
        return ::close(fd);
    }

private:
    int fd_;
};

std::string_view remedy(int error) noexcept {
    switch (error) {
        case ENOENT: return "create the folder, or correct paths in the configuration";
        case EACCES:
        case EPERM: return "give the daemon's user the right to write there";
        case ENOSPC:
        case EDQUOT: return "make room on that file system";
        case EROFS: return "the file system is read-only: check the storage and mount it for writing";
        case EIO: return "the storage fails: copy what is on it and replace it";
        case ENOTDIR:
        case EISDIR: return "a file is in the place of a folder, or a folder in the place of a file: move it away";
        default: return "look at the system's log for that storage";
    }
}

}  // namespace

int sync_file(int fd) noexcept {
    return TEMP_FAILURE_RETRY(::fsync(fd)) == 0 ? 0 : errno;
}

int write_at(int fd, std::string_view bytes, std::int64_t place) noexcept {
    while (!bytes.empty()) {
        const ssize_t written = TEMP_FAILURE_RETRY(::pwrite(fd, bytes.data(), bytes.size(), place));
        if (written == failed) return errno;
        bytes.remove_prefix(static_cast<std::size_t>(written));
        place += written;
    }
    return 0;
}

std::string file_trouble(std::string_view doing, const std::string& path, int error) {
    return fmt::format("{} {}: {}; {}", doing, path, std::generic_category().message(error), remedy(error));
}

std::string sync_folder(const std::string& folder) {
    const Descriptor fd{::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)};
    if (fd.get() == failed) return file_trouble("can't open folder", folder, errno);
    // Some file systems have no fsync for folders and say so; there is nothing more that can be done there.
    const int error = sync_file(fd.get());
    return error == 0 || error == EINVAL ? std::string{} : file_trouble("can't fsync folder", folder, error);
}

std::string make_folder(const std::string& folder) {
    if (::mkdir(folder.c_str(), 0750) != 0) {
        return errno == EEXIST ? std::string{} : file_trouble("can't create", folder, errno);
    }
    const std::string above = std::filesystem::path{folder}.parent_path().string();
    return sync_folder(above.empty() ? "." : above);
}

std::string write_durably(const std::string& path, std::string_view bytes, Access access) {
    const std::string beside = path + ".new";
    struct stat was {};
    if (access == Access::as_it_was && ::stat(path.c_str(), &was) != 0) {
        return file_trouble("can't look at", path, errno);
    }
    const auto give_up = [&beside](std::string_view doing, int error) {
        std::string trouble = file_trouble(doing, beside, error);
        ::unlink(beside.c_str());
        return trouble;
    };
    {
        Descriptor fd{::open(beside.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0640)};
        if (fd.get() == failed) return file_trouble("can't create", beside, errno);
        if (access == Access::as_it_was) {
            if (::fchown(fd.get(), was.st_uid, was.st_gid) != 0) return give_up("can't keep the owner of", errno);
            if (::fchmod(fd.get(), was.st_mode & 07777) != 0) return give_up("can't keep the mode of", errno);
        }
        if (const int error = write_at(fd.get(), bytes, 0); error != 0) return give_up("can't write", error);
        if (const int error = sync_file(fd.get()); error != 0) return give_up("can't fsync", error);
        if (fd.close() != 0) return give_up("can't close", errno);
    }
    if (::rename(beside.c_str(), path.c_str()) != 0) return give_up("can't rename", errno);
    const std::string folder = std::filesystem::path{path}.parent_path().string();
    return sync_folder(folder.empty() ? "." : folder);
}

FileBytes read_whole(const std::string& path, std::size_t most) {
    FileBytes result;
    const Descriptor fd{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK)};
    if (fd.get() == failed) {
        result.error = errno;
        return result;
    }
    struct stat status {};
    if (::fstat(fd.get(), &status) != 0 || !S_ISREG(status.st_mode)) {
        result.error = S_ISDIR(status.st_mode) ? EISDIR : EINVAL;
        return result;
    }
    char block[4096];
    for (;;) {
        const ssize_t got = TEMP_FAILURE_RETRY(::read(fd.get(), block, sizeof block));
        if (got == failed) {
            result.error = errno;
            result.bytes.clear();
            return result;
        }
        if (got == 0) return result;
        result.bytes.append(block, static_cast<std::size_t>(got));
        if (result.bytes.size() > most) {
            result.bytes.clear();
            result.too_large = true;
            return result;
        }
    }
}

}  // namespace dekeyd::formats
