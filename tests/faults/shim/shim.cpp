// Preloaded into the daemon by the tests: makes what plain files can't. Rules come through a shared file (control.hpp),
// so that a test switches them while the daemon runs. Without that file every call goes to the C library as it is.
#include <dirent.h>
#include <dlfcn.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <cstdarg>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>

extern "C" void* __libc_malloc(std::size_t size);  // NOLINT: the C library's own, below any interposed one

namespace {

enum Operation : std::uint32_t {
    op_pread = 1,
    op_pwrite = 2,
    op_write = 4,
    op_fsync = 8,
    op_open = 16,
    op_rename = 32,
    op_malloc = 64,
    op_ftruncate = 128,
};

enum Action : std::uint32_t {
    act_hang = 1,     // until the rule is switched off
    act_slow = 2,     // `argument` nanoseconds more
    act_errno = 3,    // fails with `argument`
    act_content = 4,  // reads `content`
    act_swallow = 5,  // says that it wrote, and doesn't
    act_die = 6,      // the process is killed before its `argument`-th such operation
    act_torn = 7,     // the same, half of the bytes written
    act_full = 8,     // no room: what needs none goes on, a new file or a longer one doesn't
};

// The same layout in rig.py.
struct Rule {
    std::uint32_t on;
    std::uint32_t operations;
    std::uint32_t action;
    std::uint32_t hits;
    std::int64_t argument;
    std::uint32_t content_size;
    std::uint32_t unused;
    char content[64];
    char path[160];  // a part of the file's path, or of the thread's name
};
constexpr int rule_count = 8;
struct Control {
    std::int64_t wall_offset_ns;
    std::uint32_t operations;  // of all rules that are on
    std::uint32_t unused;
    Rule rules[rule_count];
    std::int64_t asleep_ns;  // what the boot clock has more than the monotonic one
};

template <class F>
F* real(const char* name) {
    return reinterpret_cast<F*>(::dlsym(RTLD_NEXT, name));
}

std::atomic<Control*> control{nullptr};
char disk[512], platter[512];

__attribute__((constructor)) void begin() {
    if (const char* const folder = std::getenv("FAULTS_DISK")) std::snprintf(disk, sizeof disk, "%s", folder);
    if (const char* const folder = std::getenv("FAULTS_PLATTER")) std::snprintf(platter, sizeof platter, "%s", folder);
    const char* const path = std::getenv("FAULTS_CONTROL");
    if (path == nullptr) return;
    const int file = static_cast<int>(::syscall(SYS_openat, AT_FDCWD, path, O_RDWR | O_CLOEXEC));
    if (file < 0) return;
    void* const memory = ::mmap(nullptr, sizeof(Control), PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    ::syscall(SYS_close, file);
    if (memory != MAP_FAILED) control.store(static_cast<Control*>(memory));
}

std::uint32_t load(const std::uint32_t& word) {
    return __atomic_load_n(&word, __ATOMIC_ACQUIRE);
}

void pause_for(std::int64_t nanoseconds) {
    const timespec length{.tv_sec = nanoseconds / 1'000'000'000, .tv_nsec = nanoseconds % 1'000'000'000};
    ::syscall(SYS_nanosleep, &length, nullptr);
}

// Of the calling thread: the guard has a file table of its own.
void path_of(int file, char (&path)[512]) {
    char link[64];
    std::snprintf(link, sizeof link, "/proc/thread-self/fd/%d", file);
    const long size = ::syscall(SYS_readlink, link, path, sizeof path - 1);
    path[size > 0 ? size : 0] = '\0';
}

// The rule that fits, its waiting done and its deaths died; null where the operation is to go on as it is.
Rule* met(Operation operation, const char* path, bool needs_room = true) {
    Control* const shared = control.load();
    for (Rule& rule : shared->rules) {
        if (load(rule.on) == 0 || (rule.operations & operation) == 0 || std::strstr(path, rule.path) == nullptr)
            continue;
        const std::uint32_t hit = __atomic_add_fetch(&rule.hits, 1, __ATOMIC_ACQ_REL);
        if (rule.action == act_hang) {
            while (load(rule.on) != 0) pause_for(5'000'000);
            continue;
        }
        if (rule.action == act_slow) {
            pause_for(rule.argument);
            continue;
        }
        if (rule.action == act_full && !needs_room) continue;
        if (rule.action == act_die && hit == rule.argument) ::syscall(SYS_kill, ::getpid(), SIGKILL);
        if (rule.action == act_die || (rule.action == act_torn && hit != rule.argument)) continue;
        return &rule;
    }
    return nullptr;
}

bool may_meet(Operation operation) {
    Control* const shared = control.load();
    return shared != nullptr && (load(shared->operations) & operation) != 0;
}

Rule* met(Operation operation, int file, off_t end = 0) {
    if (!may_meet(operation)) return nullptr;
    char path[512];
    path_of(file, path);
    struct stat status {};
    return met(operation, path, ::fstat(file, &status) != 0 || end > status.st_size);
}

// ---- the disk as it would be after a power cut: what was fsynced, and the names as of the folder's fsync -----------

void copy(int from, const char* to) {
    const int file =
        static_cast<int>(::syscall(SYS_openat, AT_FDCWD, to, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644));
    if (file < 0) return;
    char block[4096];
    off_t place = 0;
    for (long size = 0; (size = ::syscall(SYS_pread64, from, block, sizeof block, place)) > 0; place += size) {
        ::syscall(SYS_write, file, block, size);
    }
    ::syscall(SYS_close, file);
}

void note_synced(int file) {
    if (disk[0] == '\0') return;
    char path[512];
    path_of(file, path);
    struct stat status {};
    if (std::strncmp(path, disk, std::strlen(disk)) != 0 || ::fstat(file, &status) != 0) return;
    char target[700];
    if (S_ISREG(status.st_mode)) {
        char name[700];
        std::snprintf(name, sizeof name, "%s/%llu.new", platter, static_cast<unsigned long long>(status.st_ino));
        std::snprintf(target, sizeof target, "%s/%llu", platter, static_cast<unsigned long long>(status.st_ino));
        // A file that is only read must be copied through a descriptor that may read.
        char again[64];
        std::snprintf(again, sizeof again, "/proc/thread-self/fd/%d", file);
        const int readable = static_cast<int>(::syscall(SYS_openat, AT_FDCWD, again, O_RDONLY | O_CLOEXEC));
        copy(readable, name);
        ::syscall(SYS_close, readable);
        ::syscall(SYS_rename, name, target);
        return;
    }
    if (!S_ISDIR(status.st_mode)) return;
    char flat[512];
    std::snprintf(flat, sizeof flat, "%s", path + std::strlen(disk));
    for (char* c = flat; *c != '\0'; ++c) *c = *c == '/' ? '+' : *c;
    char name[1300];
    std::snprintf(name, sizeof name, "%s/names%s.new", platter, flat);
    char names[1300];
    std::snprintf(names, sizeof names, "%s/names%s", platter, flat);
    const int list =
        static_cast<int>(::syscall(SYS_openat, AT_FDCWD, name, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644));
    DIR* const folder = ::opendir(path);
    if (folder != nullptr && list >= 0) {
        while (const dirent* entry = ::readdir(folder)) {
            char line[400];
            const int size = std::snprintf(line, sizeof line, "%llu %s\n",
                                           static_cast<unsigned long long>(entry->d_ino), entry->d_name);
            ::syscall(SYS_write, list, line, size);
        }
    }
    if (folder != nullptr) ::closedir(folder);
    ::syscall(SYS_close, list);
    ::syscall(SYS_rename, name, names);
}

// A new file may get the number of one that is gone: what that one had isn't the new one's.
void note_opened(int file, int flags) {
    if (disk[0] == '\0' || file < 0 || (flags & O_TRUNC) == 0) return;
    char path[512];
    path_of(file, path);
    struct stat status {};
    if (std::strncmp(path, disk, std::strlen(disk)) != 0 || ::fstat(file, &status) != 0) return;
    char target[700];
    std::snprintf(target, sizeof target, "%s/%llu", platter, static_cast<unsigned long long>(status.st_ino));
    ::syscall(SYS_unlink, target);
}

// ---- what the calls share ----------------------------------------------------------------------------------------

ssize_t read_by(const Rule& rule, void* buffer, std::size_t size) {
    if (rule.action == act_content) {
        const std::size_t given = rule.content_size < size ? rule.content_size : size;
        std::memcpy(buffer, rule.content, given);
        return static_cast<ssize_t>(given);
    }
    errno = static_cast<int>(rule.argument);
    return -1;
}

template <class Write>
ssize_t write_by(const Rule& rule, std::size_t size, Write write) {
    if (rule.action == act_swallow) return static_cast<ssize_t>(size);
    if (rule.action == act_torn) {
        write(size / 2);
        ::syscall(SYS_kill, ::getpid(), SIGKILL);
    }
    errno = rule.action == act_full ? ENOSPC : static_cast<int>(rule.argument);
    return -1;
}

int fail(const Rule& rule) {
    if (rule.action == act_swallow) return 0;
    if (rule.action == act_torn) ::syscall(SYS_kill, ::getpid(), SIGKILL);
    errno = rule.action == act_full ? ENOSPC : static_cast<int>(rule.argument);
    return -1;
}

int open_by(const char* path, int flags, mode_t mode, const char* name) {
    if (may_meet(op_open)) {
        struct stat status {};
        const bool is_new = (flags & O_CREAT) != 0 && ::stat(path, &status) != 0;
        if (const Rule* const rule = met(op_open, path, is_new)) return fail(*rule);
    }
    static const auto real_open = real<int(const char*, int, ...)>(name);
    const int file = real_open(path, flags, mode);
    note_opened(file, flags);
    return file;
}

}  // namespace

extern "C" {

ssize_t pread(int file, void* buffer, std::size_t size, off_t place) {
    if (const Rule* const rule = met(op_pread, file)) return read_by(*rule, buffer, size);
    return ::syscall(SYS_pread64, file, buffer, size, place);
}

ssize_t pread64(int file, void* buffer, std::size_t size, off64_t place) {
    return pread(file, buffer, size, place);
}

ssize_t pwrite(int file, const void* buffer, std::size_t size, off_t place) {
    const auto write_some = [&](std::size_t some) { return ::syscall(SYS_pwrite64, file, buffer, some, place); };
    if (const Rule* const rule = met(op_pwrite, file, place + static_cast<off_t>(size)))
        return write_by(*rule, size, write_some);
    return write_some(size);
}

ssize_t pwrite64(int file, const void* buffer, std::size_t size, off64_t place) {
    return pwrite(file, buffer, size, place);
}

ssize_t write(int file, const void* buffer, std::size_t size) {
    const auto write_some = [&](std::size_t some) { return ::syscall(SYS_write, file, buffer, some); };
    const auto end = ::lseek(file, 0, SEEK_CUR) + static_cast<off_t>(size);
    if (const Rule* const rule = met(op_write, file, end)) return write_by(*rule, size, write_some);
    return write_some(size);
}

int fsync(int file) {
    if (const Rule* const rule = met(op_fsync, file)) return fail(*rule);
    const int result = static_cast<int>(::syscall(SYS_fsync, file));
    if (result == 0) note_synced(file);
    return result;
}

int fdatasync(int file) {
    return fsync(file);
}

int ftruncate(int file, off_t size) noexcept {
    if (const Rule* const rule = met(op_ftruncate, file)) return fail(*rule);
    return static_cast<int>(::syscall(SYS_ftruncate, file, size));
}

int rename(const char* from, const char* to) noexcept {
    if (may_meet(op_rename)) {
        if (const Rule* const rule = met(op_rename, to)) return fail(*rule);
    }
    return static_cast<int>(::syscall(SYS_rename, from, to));
}

int open(const char* path, int flags, ...) {
    std::va_list rest;
    va_start(rest, flags);
    const mode_t mode = (flags & O_CREAT) != 0 ? va_arg(rest, mode_t) : 0;
    va_end(rest);
    return open_by(path, flags, mode, "open");
}

int open64(const char* path, int flags, ...) {
    std::va_list rest;
    va_start(rest, flags);
    const mode_t mode = (flags & O_CREAT) != 0 ? va_arg(rest, mode_t) : 0;
    va_end(rest);
    return open_by(path, flags, mode, "open64");
}

// No memory for the thread of that name: what it does next throws.
void* malloc(std::size_t size) noexcept {
    if (may_meet(op_malloc)) {
        char name[16] = {};
        ::prctl(PR_GET_NAME, name, 0, 0, 0);
        if (met(op_malloc, name) != nullptr) {
            errno = ENOMEM;
            return nullptr;
        }
    }
    return __libc_malloc(size);
}

// The wall clock, stepped, and the boot clock, as after a sleep; the monotonic one is what it is.
int clock_gettime(clockid_t clock, timespec* time) noexcept {
    static const auto real_gettime = real<int(clockid_t, timespec*)>("clock_gettime");
    const int result = real_gettime(clock, time);
    const Control* const shared = control.load();
    const bool boot = clock == CLOCK_BOOTTIME;
    if (result != 0 || shared == nullptr || (!boot && clock != CLOCK_REALTIME && clock != CLOCK_REALTIME_COARSE))
        return result;
    const std::int64_t offset = __atomic_load_n(boot ? &shared->asleep_ns : &shared->wall_offset_ns, __ATOMIC_ACQUIRE);
    constexpr std::int64_t second = 1'000'000'000;
    time->tv_sec += offset / second;
    time->tv_nsec += offset % second;
    if (time->tv_nsec < 0) {
        time->tv_nsec += second;
        --time->tv_sec;
    } else if (time->tv_nsec >= second) {
        time->tv_nsec -= second;
        ++time->tv_sec;
    }
    return 0;
}

int gettimeofday(timeval* time, void* /*zone*/) noexcept {
    timespec now{};
    clock_gettime(CLOCK_REALTIME, &now);
    time->tv_sec = now.tv_sec;
    time->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t* place) noexcept {
    timespec now{};
    clock_gettime(CLOCK_REALTIME, &now);
    if (place != nullptr) *place = now.tv_sec;
    return now.tv_sec;
}

}  // extern "C"
