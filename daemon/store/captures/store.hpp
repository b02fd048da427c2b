// The folder of captures: whole files, a budget of count and size, the oldest go first.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <system_error>
#include <vector>

namespace dekeyd::formats {

class CaptureStore {
public:
    CaptureStore(std::string folder, std::size_t most, std::size_t most_bytes)
        : folder_{std::move(folder)}, most_{most}, most_bytes_{most_bytes} {}

    /// Writes `<folder>/<number>-<name>.csv` durably, after making room by removing the oldest; one that is larger than
    /// the whole budget is kept alone. Empty, or what failed; then nothing of it is there, and it may be tried again.
    std::string save(std::string_view name, std::string_view text);
    /// The last one's path.
    [[nodiscard]] const std::string& last() const noexcept { return last_; }
    /// Files that made room for newer ones, since the start.
    [[nodiscard]] std::uint64_t removed() const noexcept { return removed_; }

private:
    std::string make_room(std::size_t bytes);
    std::string folder_;
    std::size_t most_;
    std::size_t most_bytes_;
    std::string last_;
    std::uint64_t removed_ = 0;
};

/// Paths of the captures in a folder, the oldest first (by number: the clock may have been wrong).
std::vector<std::string> captures_in(const std::string& folder);
/// The same, with the reason why the folder can't be listed; a folder that isn't there holds none.
std::vector<std::string> captures_in(const std::string& folder, std::error_code& trouble);

/// The newest `most` of them as a JSON array, the oldest first: name, wall (ISO 8601 UTC), cause and size in bytes. Of
/// a file that can't be read, or is no capture, wall and cause are empty.
std::string capture_list(const std::string& folder, std::size_t most);

/// A part of one, of whole lines where one ends in it.
struct CapturePart {
    std::string name{};
    std::uint64_t offset = 0, size = 0;  ///< size: of the whole file
    std::string text{};
    std::string error{};  ///< why there is none
};
/// Read-only; `name` is a file's own, in this folder, and nothing else. At most `most` bytes from `offset` on.
CapturePart capture_part(const std::string& folder, const std::string& name, std::uint64_t offset, std::size_t most);

}  // namespace dekeyd::formats
