#include "storage_shim.hpp"

#include <dlfcn.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdarg>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <utility>

namespace {

namespace fs = std::filesystem;

template <class F>
F real(const char* name) {
    return reinterpret_cast<F>(::dlsym(RTLD_NEXT, name));
}

struct Disk {
    std::string folder, image;
    shim::Stop stop = shim::Stop::killed;
    std::uint64_t at = 0, count = 0;
    bool armed = false;
    std::map<ino_t, std::string> contents;                      ///< as of the last sync
    std::map<std::string, std::map<std::string, ino_t>> names;  ///< folder -> entries, as of its last sync
};

Disk& disk() {
    static Disk one;
    return one;
}

std::string content_of(const std::string& path) {
    std::ifstream in{path, std::ios::binary};
    return {std::istreambuf_iterator<char>{in}, {}};
}

ino_t inode_of(const std::string& path) {
    struct stat status {};
    return ::lstat(path.c_str(), &status) == 0 ? status.st_ino : 0;
}

std::map<std::string, ino_t> listing(const std::string& folder) {
    std::map<std::string, ino_t> entries;
    for (const auto& entry : fs::directory_iterator{folder}) {
        entries[entry.path().filename().string()] = inode_of(entry.path().string());
    }
    return entries;
}

void put(const std::string& path, const std::string& bytes) {
    std::ofstream{path, std::ios::binary} << bytes;
}

// Contents are those of the last sync, and so are the names, from the top down.
void image_of_power_cut(const std::string& folder, const std::string& image) {
    fs::create_directories(image);
    const auto known = disk().names.find(folder);
    if (known == disk().names.end()) return;
    for (const auto& [name, inode] : known->second) {
        const std::string inside = folder + "/" + name;
        if (disk().names.contains(inside) || fs::is_directory(inside)) {
            image_of_power_cut(inside, image + "/" + name);
        } else {
            put(image + "/" + name, disk().contents[inode]);
        }
    }
}

void image_of_torn(const std::string& folder, const std::string& image) {
    fs::create_directories(image);
    for (const auto& entry : fs::directory_iterator{folder}) {
        const std::string path = entry.path().string();
        const std::string target = image + "/" + entry.path().filename().string();
        if (entry.is_directory()) {
            image_of_torn(path, target);
            continue;
        }
        std::string now = content_of(path);
        const std::string synced = disk().contents[inode_of(path)];
        if (now != synced) {
            const auto from = std::mismatch(now.begin(), now.end(), synced.begin(), synced.end()).first;
            // Where a file was not lengthened, only what differs was on its way.
            auto end = now.end();
            if (now.size() == synced.size()) {
                end = std::mismatch(now.rbegin(), std::make_reverse_iterator(from), synced.rbegin()).first.base();
            }
            std::fill(from + (end - from) / 2, end, '\0');
        }
        put(target, now);
    }
}

bool below(const std::string& path) {
    return disk().armed && path.starts_with(disk().folder);
}

std::string path_of(int fd) {
    char buffer[4096];
    const std::string link = "/proc/self/fd/" + std::to_string(fd);
    const ssize_t size = ::readlink(link.c_str(), buffer, sizeof buffer);
    return size > 0 ? std::string(buffer, static_cast<std::size_t>(size)) : std::string{};
}

// A name that only the storage still has must not come to mean another file: its inode stays in use to the end.
void keep_inode(const char* path) {
    static const auto next = real<int (*)(const char*, int, ...)>("open");
    if (below(path) && next(path, O_RDONLY | O_CLOEXEC) < 0 && errno != ENOENT) std::perror(path);
}

void point(const std::string& path) {
    if (!below(path)) return;
    if (++disk().count == disk().at) shim::stop_now();
}

}  // namespace

namespace shim {

void arm(const std::string& folder, const std::string& image, Stop stop, std::uint64_t at) {
    disk() = {.folder = folder,
              .image = image,
              .stop = stop,
              .at = at,
              .count = 0,
              .armed = true,
              .contents = {},
              .names = {}};
    // What is there already is durable.
    disk().names[folder] = listing(folder);
    for (const auto& entry : fs::recursive_directory_iterator{folder}) {
        const std::string path = entry.path().string();
        if (entry.is_directory()) {
            disk().names[path] = listing(path);
        } else {
            disk().contents[inode_of(path)] = content_of(path);
        }
    }
}

std::uint64_t counted() {
    return disk().count;
}

void stop_now() {
    disk().armed = false;
    if (disk().stop == Stop::power_cut) image_of_power_cut(disk().folder, disk().image);
    if (disk().stop == Stop::torn) image_of_torn(disk().folder, disk().image);
    ::_exit(exit_stopped);
}

}  // namespace shim

extern "C" {

int open(const char* path, int flags, ...) {
    mode_t mode = 0;
    if ((flags & O_CREAT) != 0) {
        va_list list;
        va_start(list, flags);
        mode = va_arg(list, mode_t);
        va_end(list);
    }
    static const auto next = real<int (*)(const char*, int, ...)>("open");
    const bool changes = (flags & (O_CREAT | O_TRUNC)) != 0;
    const bool is_new = changes && below(path) && inode_of(path) == 0;
    if (changes) point(path);
    const int fd = next(path, flags, mode);
    // Its inode may have been another file's.
    if (is_new && fd >= 0) disk().contents[inode_of(path)].clear();
    return fd;
}

ssize_t write(int fd, const void* bytes, size_t size) {
    static const auto next = real<ssize_t (*)(int, const void*, size_t)>("write");
    if (disk().armed) point(path_of(fd));
    return next(fd, bytes, size);
}

ssize_t pwrite(int fd, const void* bytes, size_t size, off_t place) {
    static const auto next = real<ssize_t (*)(int, const void*, size_t, off_t)>("pwrite");
    const std::string path = disk().armed ? path_of(fd) : std::string{};
    // A kill in the middle of a write leaves a part of it.
    if (below(path) && disk().count + 1 == disk().at) {
        if (next(fd, bytes, size / 2, place) < 0) std::perror("pwrite");
    }
    point(path);
    return next(fd, bytes, size, place);
}

int fsync(int fd) {
    const std::string path = disk().armed ? path_of(fd) : std::string{};
    point(path);
    if (!below(path)) return 0;
    if (fs::is_directory(path)) {
        disk().names[path] = listing(path);
    } else {
        disk().contents[inode_of(path)] = content_of(path);
    }
    return 0;
}

int fdatasync(int fd) {
    return fsync(fd);
}

int ftruncate(int fd, off_t size) noexcept {
    static const auto next = real<int (*)(int, off_t)>("ftruncate");
    if (disk().armed) point(path_of(fd));
    return next(fd, size);
}

int rename(const char* from, const char* to) noexcept {
    static const auto next = real<int (*)(const char*, const char*)>("rename");
    point(to);
    keep_inode(to);
    return next(from, to);
}

int unlink(const char* path) noexcept {
    static const auto next = real<int (*)(const char*)>("unlink");
    point(path);
    keep_inode(path);
    return next(path);
}

int mkdir(const char* path, mode_t mode) noexcept {
    static const auto next = real<int (*)(const char*, mode_t)>("mkdir");
    point(path);
    return next(path, mode);
}

}  // extern "C"
