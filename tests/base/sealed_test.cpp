#include "base/sealed.hpp"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <unistd.h>

#include <cerrno>

#include "base/durable_file.hpp"
#include "temporary_folder.hpp"

using dekeyd::formats::crc32;
using dekeyd::formats::hex32;

TEST_CASE("the checksum is the usual CRC-32") {
    CHECK(crc32("123456789") == 0xcbf43926U);  // check value of CRC-32/ISO-HDLC, RevEng catalogue, from memory
    CHECK(crc32("") == 0U);
    CHECK(crc32("a") == 0xe8b7be43U);  // computed with Python's zlib.crc32
}

TEST_CASE("eight digits, lower case, leading zeros kept") {
    CHECK(hex32(0) == "00000000");
    CHECK(hex32(0x0123abcdU) == "0123abcd");
    CHECK(hex32(0xffffffffU) == "ffffffff");
}

TEST_CASE("what was sealed is found whole, and not after any byte of it changed") {
    using namespace dekeyd::formats;
    // The sums: Python's zlib.crc32.
    CHECK(sealed_text("a\n") == "a\ncrc32 ddeaa107\n");
    CHECK(sealed_line("a") == "e8b7be43 a\n");
    CHECK(sealed_row("a") == "a,e8b7be43\n");
    const std::string text = sealed_text("one 1\ntwo 2\n"), line = sealed_line("3 {\"x\": 1}"),
                      row = sealed_row("1,2,3");
    CHECK(unsealed_text(text) == "one 1\ntwo 2\n");
    CHECK(unsealed_line(line.substr(0, line.size() - 1)) == "3 {\"x\": 1}");
    CHECK(unsealed_row(row.substr(0, row.size() - 1)) == "1,2,3");
    for (std::size_t i = 0; i < text.size(); ++i) {
        std::string other = text;
        other[i] = static_cast<char>(other[i] ^ 1);
        CHECK_FALSE(unsealed_text(other));
        CHECK_FALSE(unsealed_text(text.substr(0, i)));
    }
    for (std::size_t i = 0; i + 1 < line.size(); ++i) {
        std::string other = line.substr(0, line.size() - 1);
        other[i] = static_cast<char>(other[i] ^ 1);
        CHECK_FALSE(unsealed_line(other));
        CHECK_FALSE(unsealed_line(line.substr(0, i)));
    }
    for (std::size_t i = 0; i + 1 < row.size(); ++i) {
        std::string other = row.substr(0, row.size() - 1);
        other[i] = static_cast<char>(other[i] ^ 1);
        CHECK_FALSE(unsealed_row(other));
        CHECK_FALSE(unsealed_row(row.substr(0, i)));
    }
}

TEST_CASE("lines are those that end; half a one at the end is none") {
    std::string seen;
    std::size_t behind = 0;
    dekeyd::formats::each_line("a\n\nbc\nhalf", [&](std::string_view line, std::size_t end) {
        seen.append(line).append(1, '|');
        behind = end;
    });
    CHECK(seen == "a||bc|");
    CHECK(behind == 6);
}

TEST_CASE("nothing at all can be sealed, too") {
    CHECK(dekeyd::formats::unsealed_text(dekeyd::formats::sealed_text("")) == "");
    CHECK(dekeyd::formats::unsealed_line("00000000 ") == "");  // CRC-32 of nothing is 0
    CHECK_FALSE(dekeyd::formats::unsealed_line("00000000"));
}

TEST_CASE("text goes behind what is whole, in place of a torn rest, and each failure is told") {
    const dekeyd::test::TemporaryFolder folder;
    const std::string path = folder / "rows";
    const auto holds = [&] { return dekeyd::formats::read_whole(path, 100).bytes; };
    REQUIRE(dekeyd::formats::write_durably(path, "abcdeTORN") == "");
    const int file = ::open(path.c_str(), O_RDWR | O_CLOEXEC);
    CHECK(dekeyd::formats::append_behind(file, 5, 9, "x") == 0);
    CHECK(holds() == "abcdex");
    CHECK(dekeyd::formats::append_behind(file, 6, 6, "yz") == 0);
    CHECK(holds() == "abcdexyz");
    ::close(file);
    const int unwritable = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
    CHECK(dekeyd::formats::append_behind(unwritable, 5, 8, "x") == EINVAL);  // ftruncate(2)
    CHECK(dekeyd::formats::append_behind(unwritable, 8, 8, "x") == EBADF);   // write(2)
    CHECK(dekeyd::formats::append_behind(unwritable, 9, 8, "x") == EBADF);
    ::close(unwritable);
    const int nothing = ::open("/dev/null", O_RDWR | O_CLOEXEC);
    CHECK(dekeyd::formats::append_behind(nothing, 0, 0, "x") == EINVAL);  // fsync(2)
    ::close(nothing);
    CHECK(holds() == "abcdexyz");
}
