// One daemon for each state folder and each run folder: a lock that lasts as long as the process.
#pragma once

#include <string>

namespace dekeyd {

/// A lock on the file `lock` in a folder. The kernel lets it go when the last thread of the process is gone, so one
/// that is stuck in the kernel, and may still write there, keeps it.
class FolderLock {
public:
    enum class Taken { yes, by_another, no };

    FolderLock() = default;
    FolderLock(const FolderLock&) = delete;
    FolderLock& operator=(const FolderLock&) = delete;

    /// `by_another`: another process has it, and `trouble()` says which; `no`: it can't be locked, and `trouble()` says
    /// why. Changes nothing in the folder but to make the lock's file where it is missing.
    Taken lock(const std::string& folder);
    /// Writes this process's number into the lock's file, for the one who finds it taken. May wait for the storage.
    void tell_who() const noexcept;
    [[nodiscard]] const std::string& trouble() const noexcept { return trouble_; }

private:
    std::string path_;
    std::string trouble_;
    int file_ = -1;  ///< never closed
};

}  // namespace dekeyd
