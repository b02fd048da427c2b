#include "formats/sealed.hpp"

#include <doctest/doctest.h>

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
