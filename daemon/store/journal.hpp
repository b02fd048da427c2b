// The event journal: numbered, append-only, checksummed lines in a folder of bounded size.
//
// A folder has segments `events-<first number>`, each starting with a header line and holding one entry a line:
//   <crc32> dekeyd-journal 1 <epoch> <first number>
//   <crc32> <number> <text>
// The epoch is made of random bytes when the journal is created: (epoch, number) names an entry for ever, so a reader
// can tell what it has read already, and keeps its place by them. Numbers rise by one; one is used again only if its
// entry was never durable.
#pragma once

#include <sys/types.h>

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::formats {

struct JournalBudget {
    std::size_t segment_bytes = 256 * 1024;
    std::size_t total_bytes = 4 * 1024 * 1024;  ///< with the segment being written
};

/// The writing end; one thread. Every call that touches the disk returns an empty string, or what failed and how to
/// mend it; after a failure the same call may simply be tried again.
class Journal {
public:
    explicit Journal(std::string folder, JournalBudget budget = {});
    ~Journal();
    Journal(const Journal&) = delete;
    Journal& operator=(const Journal&) = delete;

    /// Creates the folder, or finds the end of what is there and cuts a torn tail off. Needed before the rest.
    std::string open();
    [[nodiscard]] bool is_open() const noexcept { return open_; }

    /// Appends one entry (no line break in it, at most 60 KiB). It has next_number(), and isn't durable yet.
    std::string append(std::string_view text);
    /// Makes all that was appended durable. A failure takes back what was appended since the last success.
    std::string sync();

    [[nodiscard]] const std::string& epoch() const noexcept { return epoch_; }
    [[nodiscard]] std::uint64_t next_number() const noexcept { return next_; }
    [[nodiscard]] std::uint64_t durable() const noexcept { return durable_; }  ///< last durable number; 0: none
    /// Bytes that open() cut off as torn.
    [[nodiscard]] std::uint64_t repaired_bytes() const noexcept { return repaired_bytes_; }

private:
    std::string begin_segment();
    std::string go_on_with(const std::string& path, std::size_t whole, std::size_t size);
    std::string make_room();
    void close() noexcept;

    std::string folder_;
    JournalBudget budget_;
    bool open_ = false;
    int fd_ = -1;
    std::string epoch_;
    std::uint64_t next_ = 1;
    std::uint64_t durable_ = 0;
    std::uint64_t repaired_bytes_ = 0;
    off_t size_ = 0;          ///< of the segment being written, up to the last whole line
    off_t durable_size_ = 0;  ///< the same, as of the last sync
    bool torn_ = false;       ///< half a line may stand behind size_
};

struct JournalEntry {
    std::uint64_t number = 0;
    std::string text;
};

/// The reading end, for another thread or process; it never writes.
class JournalReader {
public:
    explicit JournalReader(std::string folder);
    ~JournalReader();
    JournalReader(const JournalReader&) = delete;
    JournalReader& operator=(const JournalReader&) = delete;

    /// The first whole entry from `number` to `durable` (Journal::durable(): what is behind it may be taken back). One
    /// with a larger number than asked for means that those between are gone. Empty: none.
    std::optional<JournalEntry> from(std::uint64_t number, std::uint64_t durable);

private:
    bool open_segment(std::uint64_t first);
    bool next_line(std::string& line);
    [[nodiscard]] std::optional<std::uint64_t> next_segment() const;
    void close() noexcept;

    std::string folder_;
    int fd_ = -1;
    std::uint64_t segment_ = 0;   ///< first number of the open segment
    std::uint64_t expected_ = 0;  ///< what from() would be asked next, if in order
    off_t place_ = 0;
    bool in_header_ = true;  ///< the open segment's first line is still to come: never an entry
    std::string buffer_;
};

/// An epoch's hexadecimal digits as a number, 0 where the text is no such number; and the number as digits.
std::uint64_t epoch_number(std::string_view epoch) noexcept;
std::string epoch_text(std::uint64_t epoch);

/// First numbers of the segments in a folder, ascending; empty when there is none or it can't be read.
std::vector<std::uint64_t> journal_segments(const std::string& folder);

}  // namespace dekeyd::formats
