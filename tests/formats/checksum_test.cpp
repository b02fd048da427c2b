#include "formats/checksum.hpp"

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
