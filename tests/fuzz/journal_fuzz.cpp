// A journal's segment as it may be found after anything: it opens, what is added is there, and what was read once is
// read again. The logs' rows are read from the same bytes too.
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <filesystem>

#include "base/sealed.hpp"
#include "fuzz.hpp"
#include "store/checked_rows.hpp"
#include "store/journal.hpp"
#include "store/transmission_log.hpp"

using namespace dekeyd;

namespace {

/// In memory where there is such a place; gone with the process.
struct Folder {
    std::string path;
    Folder() {
        const bool memory = ::access("/dev/shm", W_OK | X_OK) == 0;
        path = memory ? "/dev/shm/dekeyd-fuzz-XXXXXX"
                      : std::filesystem::temp_directory_path().string() + "/dekeyd-fuzz-XXXXXX";
        fuzz::need(::mkdtemp(path.data()) != nullptr, "a folder for the journal");
    }
    ~Folder() {
        std::error_code ignored;
        std::filesystem::remove_all(path, ignored);
    }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
};

void write(const std::string& path, std::string_view bytes) {
    const int fd = ::open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0640);
    fuzz::need(fd >= 0, "a file can be made");
    fuzz::need(::write(fd, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size()), "and be written");
    ::close(fd);
}

void clear(const std::string& folder) {
    for (const std::uint64_t first : formats::journal_segments(folder)) {
        char name[64];
        std::snprintf(name, sizeof name, "/events-%020llu", static_cast<unsigned long long>(first));
        ::unlink((folder + name).c_str());
    }
}

std::size_t count(const std::string& folder, std::uint64_t durable, std::uint64_t last) {
    formats::JournalReader reader{folder};
    std::size_t entries = 0;
    std::uint64_t from = 1;
    while (const auto entry = reader.from(from, durable)) {
        fuzz::need(entry->number >= from && entry->number <= durable, "entries come in order");
        fuzz::need(entry->text.find('\n') == std::string::npos, "an entry is one line");
        ++entries;
        if (entry->number == last) return entries;
        from = entry->number + 1;
    }
    fuzz::need(last == 0, "what was added is read");
    return entries;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    static const Folder folder;
    const std::string_view text = fuzz::text_of(data, size);
    write(folder.path + "/events-00000000000000000001", text);
    {
        formats::Journal journal{folder.path, {.segment_bytes = 4096, .total_bytes = 16384}};
        const std::string trouble = journal.open();
        fuzz::need(trouble.empty(), "it opens");
        fuzz::need(!journal.epoch().empty(), "it has an epoch");
        fuzz::need(journal.durable() + 1 == journal.next_number(), "all that is found is durable");
        const std::uint64_t added = journal.next_number();
        fuzz::need(journal.append("added").empty() && journal.append("{}").empty(), "entries can be added");
        fuzz::need(journal.sync().empty(), "and be made durable");
        fuzz::need(journal.next_number() == added + 2, "numbers rise by one");
        const std::size_t entries = count(folder.path, journal.durable(), added + 1);

        formats::Journal again{folder.path, {.segment_bytes = 4096, .total_bytes = 16384}};
        fuzz::need(again.open().empty(), "it opens again");
        fuzz::need(again.repaired_bytes() == 0, "nothing is torn the second time");
        fuzz::need(again.epoch() == journal.epoch() && again.next_number() == added + 2, "it is the same journal");
        fuzz::need(count(folder.path, again.durable(), added + 1) == entries, "it reads the same");
    }
    clear(folder.path);

    const formats::Rows rows = formats::rows_of(text);
    for (const formats::Row& row : rows.rows) {
        if (const auto transmission = formats::transmission_from_row(row.text)) {
            fuzz::need(!formats::sentence(*transmission).empty(), "a transmission has a sentence");
            fuzz::need(formats::transmission_from_row(formats::to_row(*transmission)).has_value(),
                       "and is written back");
        }
    }
    return 0;
}

#ifdef DEKEYD_LIBFUZZER
// Each line's checksum made right: in front of the journal's, behind the logs'.
extern "C" std::size_t LLVMFuzzerCustomMutator(std::uint8_t* data, std::size_t size, std::size_t most, unsigned seed) {
    return fuzz::mutate_and_seal(data, size, most, seed, [](const std::string& text) {
        std::string result;
        for (std::size_t start = 0; start < text.size();) {
            const std::size_t end = std::min(text.find('\n', start), text.size());
            std::string line = text.substr(start, end - start);
            if (line.size() > 9 && line[8] == ' ') {
                line.replace(0, 8, formats::hex32(formats::crc32(std::string_view{line}.substr(9))));
            } else if (const std::size_t comma = line.rfind(',');
                       comma != std::string::npos && line.size() - comma == 9) {
                line.replace(comma + 1, 8, formats::hex32(formats::crc32(std::string_view{line}.substr(0, comma))));
            }
            result.append(line);
            if (end < text.size()) result.push_back('\n');
            start = end + 1;
        }
        return result;
    });
}
#endif
