#include "soak/disk.hpp"

#include <sys/syscall.h>
#include <unistd.h>

#include <cerrno>

namespace dekeyd::soak {
namespace {

Disk* used = nullptr;

}  // namespace

Disk::Use::Use(Disk& disk) noexcept {
    used = &disk;
}

Disk::Use::~Use() {
    used = nullptr;
}

int Disk::write(std::size_t& bytes) noexcept {
    if (fault == DiskFault::read_only) return EROFS;
    if (!power_goes) return 0;
    if (bytes < 2) return EIO;
    bytes /= 2;
    fault = DiskFault::read_only;
    return 0;
}

int Disk::sync(bool of_room_it_has) noexcept {
    if (power_goes) return EIO;
    switch (fault) {
        case DiskFault::failing_sync: return EIO;
        case DiskFault::read_only: return EROFS;
        case DiskFault::full: return of_room_it_has ? 0 : ENOSPC;
        case DiskFault::stalled:
        case DiskFault::good: break;
    }
    return 0;
}

}  // namespace dekeyd::soak

// In place of the library's: the state's code is the daemon's own, and asks the storage by these.
extern "C" {

ssize_t pwrite(int file, const void* bytes, size_t count, off_t place) {
    if (dekeyd::soak::used != nullptr) {
        if (const int error = dekeyd::soak::used->write(count); error != 0) return (errno = error, -1);
    }
    return ::syscall(SYS_pwrite64, file, bytes, count, place);
}

// Durable enough for a simulated power cut; the machine's own storage needn't be waited for.
static int synced(bool of_room_it_has) {
    if (dekeyd::soak::used == nullptr) return 0;
    const int error = dekeyd::soak::used->sync(of_room_it_has);
    return error == 0 ? 0 : (errno = error, -1);
}
int fsync(int) {
    return synced(false);
}
int fdatasync(int) {
    return synced(true);
}
}
