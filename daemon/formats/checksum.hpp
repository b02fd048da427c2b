// CRC-32, for telling a whole line or file from a torn one.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

namespace dekeyd::formats {

/// The usual CRC-32 (polynomial 0x04C11DB7 reflected, all ones in and out): "123456789" gives cbf43926.
/// `before`: the sum of the bytes in front of these, for text that comes in pieces.
std::uint32_t crc32(std::string_view bytes, std::uint32_t before = 0) noexcept;

/// Eight lower-case hexadecimal digits.
std::string hex32(std::uint32_t value);

}  // namespace dekeyd::formats
