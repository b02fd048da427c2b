#include "formats/checksum.hpp"

#include <array>

namespace dekeyd::formats {
namespace {

constexpr std::array<std::uint32_t, 256> make_table() {
    std::array<std::uint32_t, 256> crc_table{};
    for (std::uint32_t byte = 0; byte < crc_table.size(); ++byte) {
        std::uint32_t rest = byte;
        for (int bit = 0; bit < 8; ++bit) rest = (rest & 1U) != 0 ? (rest >> 1U) ^ 0xEDB88320U : rest >> 1U;
        crc_table[byte] = rest;
    }
    return crc_table;
}

constexpr auto crc_table = make_table();

}  // namespace

std::uint32_t crc32(std::string_view bytes, std::uint32_t before) noexcept {
    std::uint32_t rest = before ^ 0xFFFFFFFFU;
    for (const char c : bytes) rest = crc_table[(rest ^ static_cast<unsigned char>(c)) & 0xFFU] ^ (rest >> 8U);
    return rest ^ 0xFFFFFFFFU;
}

std::string hex32(std::uint32_t value) {
    std::string digits(8, '0');
    for (std::size_t place = 8; place-- > 0; value >>= 4U) digits[place] = "0123456789abcdef"[value & 0xFU];
    return digits;
}

}  // namespace dekeyd::formats
