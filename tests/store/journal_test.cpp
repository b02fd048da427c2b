#include "store/journal.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>

#include <algorithm>
#include <filesystem>
#include <fstream>

#include "base/durable_file.hpp"
#include "base/sealed.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using formats::Journal;
using formats::JournalBudget;
using formats::JournalReader;

namespace {

constexpr std::uint64_t all = ~std::uint64_t{0};

void write(Journal& journal, const std::string& text) {
    REQUIRE(journal.append(text) == "");
    REQUIRE(journal.sync() == "");
}

/// "1 one, 2 two": everything from a number on, in the order in which a reader gives it.
std::string read_all(const std::string& folder, std::uint64_t number = 1, std::uint64_t durable = all) {
    JournalReader reader{folder};
    std::string text;
    while (const auto entry = reader.from(number, durable)) {
        if (!text.empty()) text += ", ";
        text += std::to_string(entry->number) + ' ' + entry->text;
        number = entry->number + 1;
    }
    return text;
}

std::string bytes_of(const std::string& path) {
    return formats::read_whole(path, 1 << 20).bytes;
}

void put(const std::string& path, std::string_view bytes) {
    std::ofstream{path, std::ios::binary} << bytes;
}

/// A line of a journal, with its checksum.
std::string sealed(const std::string& text) {
    return formats::hex32(formats::crc32(text)) + ' ' + text + '\n';
}

std::string only_segment(const std::string& folder) {
    const auto segments = formats::journal_segments(folder);
    REQUIRE(segments.size() == 1);
    return folder + "/events-" + std::string(20 - std::to_string(segments[0]).size(), '0') +
           std::to_string(segments[0]);
}

}  // namespace

TEST_CASE("entries are numbered from 1 and are found again, from any number on") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    std::string epoch;
    {
        Journal journal{place};
        REQUIRE(journal.open() == "");
        epoch = journal.epoch();
        CHECK(epoch.size() == 16);
        CHECK(journal.durable() == 0);
        REQUIRE(journal.append("one") == "");
        CHECK(journal.durable() == 0);
        REQUIRE(journal.sync() == "");
        CHECK(journal.durable() == 1);
        write(journal, "two");
    }
    Journal journal{place};
    REQUIRE(journal.open() == "");
    CHECK(journal.epoch() == epoch);
    CHECK(journal.next_number() == 3);
    write(journal, "three");
    CHECK(read_all(place) == "1 one, 2 two, 3 three");
    CHECK(read_all(place, 3) == "3 three");
    CHECK(read_all(place, 4) == "");
    CHECK(read_all(place, 1, 2) == "1 one, 2 two");
}

TEST_CASE("two journals have two epochs") {
    const test::TemporaryFolder folder;
    Journal a{folder / "a"};
    Journal b{folder / "b"};
    REQUIRE(a.open() == "");
    REQUIRE(b.open() == "");
    CHECK(a.epoch() != b.epoch());
}

TEST_CASE("a reader follows the writer across segments") {
    const test::TemporaryFolder folder;
    Journal journal{folder / "journal", {.segment_bytes = 150, .total_bytes = 100'000}};
    JournalReader reader{folder / "journal"};
    REQUIRE(journal.open() == "");
    CHECK_FALSE(reader.from(1, 0).has_value());
    for (std::uint64_t number = 1; number <= 40; ++number) {
        write(journal, "entry " + std::to_string(number));
        const auto entry = reader.from(number, journal.durable());
        REQUIRE(entry.has_value());
        CHECK(entry->number == number);
        CHECK(entry->text == "entry " + std::to_string(number));
        CHECK_FALSE(reader.from(number + 1, journal.durable()).has_value());
    }
    CHECK(formats::journal_segments(folder / "journal").size() > 5);
}

TEST_CASE("a reader gives nothing that isn't durable, and doesn't keep it") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    Journal journal{place};
    REQUIRE(journal.open() == "");
    write(journal, "one");
    REQUIRE(journal.append("two, which is taken back") == "");
    JournalReader reader{place};
    CHECK(reader.from(1, 1)->text == "one");
    CHECK_FALSE(reader.from(2, 1).has_value());
    // As after a failed fsync: the line is cut and its number is used again.
    const std::string segment = only_segment(place);
    std::filesystem::resize_file(segment, std::filesystem::file_size(segment) - 35);
    Journal again{place};
    REQUIRE(again.open() == "");
    CHECK(again.next_number() == 2);
    write(again, "another two");
    CHECK(reader.from(2, 2)->text == "another two");
}

TEST_CASE("cut at any byte, every entry before the cut stays and nothing torn is believed") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    {
        Journal journal{place};
        REQUIRE(journal.open() == "");
        write(journal, "one");
        write(journal, "two");
        write(journal, "three");
    }
    const std::string segment = only_segment(place);
    const std::string whole = bytes_of(segment);
    for (std::size_t length = 0; length < whole.size(); ++length) {
        CAPTURE(length);
        put(segment, whole.substr(0, length));
        const auto lines = std::count(whole.begin(), whole.begin() + static_cast<std::ptrdiff_t>(length), '\n');
        Journal journal{place};
        REQUIRE(journal.open() == "");
        const auto expected = static_cast<std::uint64_t>(std::max<std::ptrdiff_t>(lines, 1));
        CHECK(journal.next_number() == expected);
        CHECK(bytes_of(segment).back() == '\n');  // nothing torn stays behind it
        write(journal, "new");
        std::string text = read_all(place);
        const std::string kept[] = {"", "1 one, ", "1 one, 2 two, "};
        CHECK(text == kept[expected - 1] + std::to_string(expected) + " new");
        REQUIRE(formats::journal_segments(place).size() == 1);
    }
}

TEST_CASE("a damaged line in the middle is passed over, and its number is not used again") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    {
        Journal journal{place};
        REQUIRE(journal.open() == "");
        for (const char* text : {"one", "two", "three"}) write(journal, text);
    }
    const std::string segment = only_segment(place);
    const std::string whole = bytes_of(segment);
    for (std::size_t flip = whole.find("two") - 11; flip < whole.find("two") + 3; ++flip) {
        std::string damaged = whole;
        damaged[flip] = static_cast<char>(damaged[flip] ^ 1);
        put(segment, damaged);
        CAPTURE(flip);
        Journal journal{place};
        REQUIRE(journal.open() == "");
        CHECK(journal.next_number() == 4);
        CHECK(read_all(place) == "1 one, 3 three");
    }
}

TEST_CASE("a number that no journal comes to is damage") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    std::string epoch;
    {
        Journal journal{place};
        REQUIRE(journal.open() == "");
        write(journal, "one");
        epoch = journal.epoch();
    }
    put(only_segment(place), bytes_of(only_segment(place)) + sealed("18446744073709551615 the last of all"));
    for (const std::uint64_t next : {std::uint64_t{2}, std::uint64_t{3}}) {  // the second time nothing is left of it
        Journal journal{place};
        REQUIRE(journal.open() == "");
        CHECK(journal.epoch() == epoch);
        CHECK(journal.next_number() == next);
        write(journal, "more");
    }
    CHECK(read_all(place) == "1 one, 2 more, 3 more");
}

TEST_CASE("a damaged header begins a new epoch and keeps what stands behind it") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    std::string epoch;
    {
        Journal journal{place};
        REQUIRE(journal.open() == "");
        epoch = journal.epoch();
        write(journal, "one");
    }
    const std::string segment = only_segment(place);
    std::string damaged = bytes_of(segment);
    damaged[2] = static_cast<char>(damaged[2] ^ 1);
    put(segment, damaged);
    Journal journal{place};
    REQUIRE(journal.open() == "");
    CHECK(journal.epoch() != epoch);
    CHECK(journal.next_number() == 2);
    write(journal, "two");
    CHECK(read_all(place) == "1 one, 2 two");
}

TEST_CASE("an entry that can't be where it is holds up none of those behind it") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    std::filesystem::create_directory(place);
    const std::string first = place + "/events-00000000000000000001";
    SUBCASE("in the header's place") {
        put(first, sealed("2 from where?") + sealed("1 one"));
    }
    SUBCASE("in a segment that others follow") {
        put(first, sealed("dekeyd-journal 1 abc 1") + sealed("1 one") + sealed("80576 from where?"));
        put(place + "/events-00000000000000000002", sealed("dekeyd-journal 1 abc 2"));
    }
    Journal journal{place};
    REQUIRE(journal.open() == "");
    CHECK(journal.next_number() == 2);
    write(journal, "two");
    CHECK(read_all(place, 1, journal.durable()) == "1 one, 2 two");
}

TEST_CASE("the budget holds, and the oldest go first") {
    const test::TemporaryFolder folder;
    const std::string place = folder / "journal";
    const JournalBudget budget{.segment_bytes = 1000, .total_bytes = 5000};
    Journal journal{place, budget};
    REQUIRE(journal.open() == "");
    for (int i = 1; i <= 100; ++i) write(journal, std::string(60, 'x'));
    for (int i = 101; i <= 300; ++i) write(journal, std::string(60, 'x'));
    std::size_t total = 0;
    for (const auto& file : std::filesystem::directory_iterator{place}) total += file.file_size();
    CHECK(total <= 5000);
    CHECK(total >= 3000);
    CHECK(JournalReader{place}.from(1, all)->number > 200);
}

TEST_CASE("what can't be written is said, nothing is half there, and it goes on once it can") {
    const test::TemporaryFolder folder;
    put(folder / "file", "a file where the folder should be");
    Journal in_the_way{folder / "file"};
    CHECK(in_the_way.open() != "");
    CHECK_FALSE(in_the_way.is_open());
    CHECK(in_the_way.append("x") != "");

    Journal journal{folder / "journal", {.segment_bytes = 100, .total_bytes = 10'000}};
    REQUIRE(journal.open() == "");
    CHECK(journal.append("two\nlines") != "");
    CHECK(journal.append(std::string(100'000, 'x')) != "");
    write(journal, "one");
    std::filesystem::rename(folder / "journal", folder / "elsewhere");
    CHECK(journal.append(std::string(80, 'x')) != "");  // needs a new segment, and the folder is gone
    CHECK(journal.next_number() == 2);
    std::filesystem::rename(folder / "elsewhere", folder / "journal");
    write(journal, "two");
    CHECK(read_all(folder / "journal") == "1 one, 2 two");
}
