#include "store/journal.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <filesystem>
#include <utility>

#include "base/durable_file.hpp"
#include "base/sealed.hpp"
#include "plan/number_text.hpp"

namespace dekeyd::formats {
namespace {

constexpr std::string_view prefix = "events-";
constexpr std::size_t longest_entry = 64 * 1024;
constexpr std::size_t largest_segment = 16 * 1024 * 1024;
constexpr std::uint64_t largest_number = std::uint64_t{1} << 62U;  // beyond it lies no journal of ours: damage

std::string segment_path(const std::string& folder, std::uint64_t first) {
    return fmt::format("{}/{}{:020}", folder, prefix, first);
}

std::optional<std::uint64_t> entry_number(std::string_view digits) noexcept {
    const auto value = core::to_number<std::uint64_t>(digits);
    return value && *value <= largest_number ? value : std::nullopt;
}

struct Numbered {
    std::uint64_t number;
    std::string_view text;
};

std::optional<Numbered> to_entry(std::string_view line) {
    const auto content = unsealed_line(line);
    if (!content) return std::nullopt;
    const std::size_t space = content->find(' ');
    if (space == std::string_view::npos) return std::nullopt;
    const auto number = entry_number(content->substr(0, space));
    if (!number) return std::nullopt;
    return Numbered{*number, content->substr(space + 1)};
}

constexpr std::string_view header_words = "dekeyd-journal 1 ";

std::string header_line(const std::string& epoch, std::uint64_t first) {
    return sealed_line(fmt::format("{}{} {}", header_words, epoch, first));
}

/// The epoch in a header line, if it is one of a segment that begins with `first`.
std::optional<std::string> epoch_of(std::string_view line, std::uint64_t first) {
    const auto content = unsealed_line(line);
    if (!content || !content->starts_with(header_words)) return std::nullopt;
    const std::string_view rest = content->substr(header_words.size());
    const std::size_t space = rest.find(' ');
    if (space == std::string_view::npos || space == 0 || entry_number(rest.substr(space + 1)) != first) {
        return std::nullopt;
    }
    return std::string{rest.substr(0, space)};
}

std::string new_epoch() {
    std::uint32_t random[2] = {0, 0};
    if (::getrandom(random, sizeof random, 0) != static_cast<ssize_t>(sizeof random)) return {};
    return hex32(random[0]) + hex32(random[1]);
}

/// What a segment holds.
struct Found {
    std::optional<std::string> epoch;  ///< its header is right
    bool entries = false;              ///< at least one entry is right
    std::uint64_t next = 1;            ///< number behind the last right entry
    std::size_t whole = 0;             ///< bytes up to the end of the last right line
};

// A damaged line in the middle is left where it is; readers pass over it. What follows the last right line goes.
Found look_through(std::string_view bytes, std::uint64_t first) {
    Found found;
    found.next = first;
    bool header = true;
    each_line(bytes, [&](std::string_view line, std::size_t end) {
        if (header) {
            found.epoch = epoch_of(line, first);
            if (found.epoch) found.whole = end;
            header = false;
        } else if (const auto entry = to_entry(line); entry && entry->number >= found.next) {
            found.entries = true;
            found.next = entry->number + 1;
            found.whole = end;
        }
    });
    return found;
}

}  // namespace

std::uint64_t epoch_number(std::string_view epoch) noexcept {
    return core::to_hexadecimal<std::uint64_t>(epoch).value_or(0);
}

std::string epoch_text(std::uint64_t epoch) {
    return fmt::format("{:016x}", epoch);
}

std::vector<std::uint64_t> journal_segments(const std::string& folder) {
    std::vector<std::uint64_t> firsts;
    std::error_code error;
    for (std::filesystem::directory_iterator it{folder, error}, end; !error && it != end; it.increment(error)) {
        const std::string name = it->path().filename().string();
        if (!name.starts_with(prefix)) continue;
        if (const auto first = entry_number(std::string_view{name}.substr(prefix.size()))) firsts.push_back(*first);
    }
    std::sort(firsts.begin(), firsts.end());
    return firsts;
}

Journal::Journal(std::string folder, JournalBudget budget) : folder_{std::move(folder)}, budget_{budget} {}

Journal::~Journal() {
    close();
}

void Journal::close() noexcept {
    if (fd_ >= 0) ::close(fd_);
    fd_ = -1;
}

std::string Journal::open() {
    close();
    open_ = false;
    epoch_.clear();
    next_ = 1;
    if (std::string trouble = make_folder(folder_); !trouble.empty()) return trouble;
    std::vector<std::uint64_t> segments = journal_segments(folder_);
    for (; !segments.empty() && fd_ < 0; segments.pop_back()) {
        const std::string path = segment_path(folder_, segments.back());
        const FileBytes file = read_whole(path, largest_segment);
        if (file.too_large) return path + " is larger than any segment that dekeyd writes; move it away";
        if (!file.ok()) return file_trouble("can't read", path, file.error);
        const Found found = look_through(file.bytes, segments.back());
        next_ = std::max(next_, found.next);
        if (found.epoch) {
            epoch_ = *found.epoch;
            if (std::string trouble = go_on_with(path, found.whole, file.bytes.size()); !trouble.empty())
                return trouble;
            break;
        }
        if (found.entries) break;  // a damaged header with entries behind it: they stay, and a new epoch begins
        // The power went before the header was durable, so there was nothing in it.
        if (::unlink(path.c_str()) != 0) return file_trouble("can't remove the torn", path, errno);
    }
    if (epoch_.empty()) epoch_ = new_epoch();
    if (epoch_.empty()) return file_trouble("can't get random bytes for", folder_, errno);
    durable_ = next_ - 1;
    if (fd_ < 0) {
        if (std::string trouble = begin_segment(); !trouble.empty()) return trouble;
    }
    open_ = true;
    return {};
}

std::string Journal::go_on_with(const std::string& path, std::size_t whole, std::size_t size) {
    const int fd = ::open(path.c_str(), O_RDWR | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0) return file_trouble("can't open", path, errno);
    if (const int error = append_behind(fd, whole, size, {}); error != 0) {
        ::close(fd);
        return file_trouble("can't cut the torn tail of", path, error);
    }
    repaired_bytes_ += size - whole;
    fd_ = fd;
    size_ = durable_size_ = static_cast<off_t>(whole);
    torn_ = false;
    return {};
}

std::string Journal::begin_segment() {
    const std::string path = segment_path(folder_, next_);
    const std::string header = header_line(epoch_, next_);
    const int fd = ::open(path.c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd < 0) return file_trouble("can't create", path, errno);
    if (const int error = append_behind(fd, 0, 0, header); error != 0) {
        ::close(fd);
        ::unlink(path.c_str());
        return file_trouble("can't write", path, error);
    }
    if (std::string trouble = sync_folder(folder_); !trouble.empty()) {
        ::close(fd);
        ::unlink(path.c_str());
        return trouble;
    }
    close();
    fd_ = fd;
    size_ = durable_size_ = static_cast<off_t>(header.size());
    torn_ = false;
    return {};
}

std::string Journal::append(std::string_view text) {
    if (!open_) return folder_ + " is not open";
    if (text.size() > longest_entry - 4096 || text.find('\n') != std::string_view::npos) {
        return "an entry of the journal must be one line of at most 60 KiB";
    }
    const std::string line = sealed_line(fmt::format("{} {}", next_, text));
    if (fd_ < 0 || static_cast<std::size_t>(size_) + line.size() > budget_.segment_bytes) {
        if (std::string trouble = sync(); !trouble.empty()) return trouble;
        if (std::string trouble = begin_segment(); !trouble.empty()) return trouble;
        if (std::string trouble = make_room(); !trouble.empty()) return trouble;
    }
    if (torn_) {
        if (::ftruncate(fd_, size_) != 0) return file_trouble("can't shorten", segment_path(folder_, next_), errno);
        torn_ = false;
    }
    if (const int error = write_at(fd_, line, size_); error != 0) {
        torn_ = true;
        return file_trouble("can't append to the journal in", folder_, error);
    }
    size_ += static_cast<off_t>(line.size());
    ++next_;
    return {};
}

std::string Journal::sync() {
    if (fd_ < 0 || durable_ + 1 == next_) return {};
    if (::fsync(fd_) == 0) {
        durable_ = next_ - 1;
        durable_size_ = size_;
        return {};
    }
    // The kernel may still show those lines though they never reach the storage, so none of them is believed.
    const int error = errno;
    next_ = durable_ + 1;
    size_ = durable_size_;
    torn_ = true;
    return file_trouble("can't fsync the journal in", folder_, error);
}

// The newest segment is never removed.
std::string Journal::make_room() {
    const std::vector<std::uint64_t> segments = journal_segments(folder_);
    std::vector<std::size_t> sizes;
    std::size_t total = 0;
    for (const std::uint64_t first : segments) {
        std::error_code error;
        const auto size = std::filesystem::file_size(segment_path(folder_, first), error);
        sizes.push_back(error ? 0 : static_cast<std::size_t>(size));
        total += sizes.back();
    }
    // Room for the segment that has just begun to grow.
    total += budget_.segment_bytes;
    for (std::size_t i = 0; i + 1 < segments.size() && total > budget_.total_bytes; ++i) {
        const std::string path = segment_path(folder_, segments[i]);
        if (::unlink(path.c_str()) != 0) return file_trouble("can't remove the oldest", path, errno);
        total -= std::min(total, sizes[i]);
    }
    return {};
}

JournalReader::JournalReader(std::string folder) : folder_{std::move(folder)} {}

JournalReader::~JournalReader() {
    close();
}

void JournalReader::close() noexcept {
    if (fd_ >= 0) ::close(fd_);
    fd_ = -1;
}

bool JournalReader::open_segment(std::uint64_t first) {
    close();
    buffer_.clear();
    place_ = 0;
    in_header_ = true;
    segment_ = first;
    fd_ = ::open(segment_path(folder_, first).c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    return fd_ >= 0;
}

// False at the end of what is written whole. A line too long to be ours is given up with the rest of its segment.
bool JournalReader::next_line(std::string& line) {
    for (;;) {
        const std::size_t end = buffer_.find('\n');
        if (end != std::string::npos) {
            line.assign(buffer_, 0, end);
            buffer_.erase(0, end + 1);
            return true;
        }
        if (buffer_.size() > longest_entry) return false;
        char block[8192];
        const ssize_t got = ::pread(fd_, block, sizeof block, place_);
        if (got < 0 && errno == EINTR) continue;
        if (got <= 0) {
            // Half a line may be cut and written anew, so it is read again next time.
            place_ -= static_cast<off_t>(buffer_.size());
            buffer_.clear();
            return false;
        }
        buffer_.append(block, static_cast<std::size_t>(got));
        place_ += got;
    }
}

/// The first number of the one behind the open segment.
std::optional<std::uint64_t> JournalReader::next_segment() const {
    const auto segments = journal_segments(folder_);
    const auto after = std::upper_bound(segments.begin(), segments.end(), segment_);
    return after == segments.end() ? std::nullopt : std::optional{*after};
}

std::optional<JournalEntry> JournalReader::from(std::uint64_t number, std::uint64_t durable) {
    if (number > durable) return std::nullopt;
    std::string line;
    if (fd_ < 0 || number != expected_) {
        const auto segments = journal_segments(folder_);
        if (segments.empty()) return std::nullopt;
        const auto after = std::upper_bound(segments.begin(), segments.end(), number);
        if (!open_segment(after == segments.begin() ? segments.front() : *std::prev(after))) return std::nullopt;
        expected_ = number;
    }
    for (;;) {
        while (next_line(line)) {
            if (std::exchange(in_header_, false)) continue;
            const auto entry = to_entry(line);
            if (!entry || entry->number < number) continue;
            // A segment ends before the next begins: a number from behind that is damage, and would hold all up.
            if (entry->number > durable && next_segment().value_or(entry->number) <= durable) continue;
            // Lines behind the last durable one may still be taken back and written anew, so none is kept.
            if (entry->number > durable) buffer_.insert(0, line + '\n');
            if (entry->number >= durable) {
                place_ -= static_cast<off_t>(buffer_.size());
                buffer_.clear();
            }
            if (entry->number > durable) return std::nullopt;
            expected_ = entry->number + 1;
            return JournalEntry{entry->number, std::string{entry->text}};
        }
        const auto next = next_segment();
        if (!next || !open_segment(*next)) return std::nullopt;
    }
}

}  // namespace dekeyd::formats
