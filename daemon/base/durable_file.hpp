// Files that are whole after a power cut: either the old content or the new one, never a mixture.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

namespace dekeyd::formats {

/// Replaces `path` by `bytes`: written beside (`<path>.new`), fsynced, renamed, the folder fsynced. Empty when all of
/// it is durable; otherwise what failed, where, and how to mend it. A failure leaves the old file as it was, unless
/// only the folder's fsync failed: then either content may be found after a power cut.
///
/// A file that was written by hand keeps its owner, group and mode (`as_it_was`), so that each user who could read it
/// still can; where that isn't allowed, nothing is replaced.
enum class Access { ours, as_it_was };
std::string write_durably(const std::string& path, std::string_view bytes, Access access = Access::ours);

/// All bytes of a file, or why there are none.
struct FileBytes {
    std::string bytes;
    int error = 0;           ///< errno of what failed; ENOENT: no such file
    bool too_large = false;  ///< it has more than `most` bytes; `bytes` is empty
    [[nodiscard]] bool ok() const noexcept { return error == 0 && !too_large; }
};
FileBytes read_whole(const std::string& path, std::size_t most);

/// Writes all bytes at `place`, however many calls that takes. 0 or errno.
int write_at(int fd, std::string_view bytes, std::int64_t place) noexcept;

/// fsync(2). 0 or errno.
int sync_file(int fd) noexcept;

/// Makes the names in a folder durable (after create, rename or unlink). Empty or what failed.
std::string sync_folder(const std::string& folder);

/// Makes a folder below one that exists, durably; one that is there is as good. Empty or what failed.
std::string make_folder(const std::string& folder);

/// One sentence for a failed call on a file: what, where, the system's words, how to mend it.
std::string file_trouble(std::string_view doing, const std::string& path, int error);

}  // namespace dekeyd::formats
