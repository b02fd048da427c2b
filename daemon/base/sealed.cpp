#include "base/sealed.hpp"

#include <unistd.h>

#include <array>
#include <cerrno>

#include "base/durable_file.hpp"

namespace dekeyd::formats {
namespace {

consteval std::array<std::uint32_t, 256> make_table() {
    std::array<std::uint32_t, 256> crc_table{};
    for (std::uint32_t byte = 0; byte < crc_table.size(); ++byte) {
        std::uint32_t rest = byte;
        for (int bit = 0; bit < 8; ++bit) rest = (rest & 1U) != 0 ? (rest >> 1U) ^ 0xEDB88320U : rest >> 1U;
        crc_table[byte] = rest;
    }
    return crc_table;
}

constexpr auto crc_table = make_table();
constexpr std::string_view seal_key = "crc32 ";
constexpr std::size_t seal_digits = 8;

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

std::string sealed_text(std::string text) {
    const std::string sum = hex32(crc32(text));
    return text.append(seal_key).append(sum).append(1, '\n');
}

std::optional<std::string_view> unsealed_text(std::string_view text) {
    constexpr std::size_t tail = seal_key.size() + seal_digits + 1;
    if (text.size() < tail) return std::nullopt;
    const std::string_view body = text.substr(0, text.size() - tail);
    const std::string_view seal = text.substr(body.size());
    if (!seal.starts_with(seal_key) || seal.back() != '\n') return std::nullopt;
    if (seal.substr(seal_key.size(), seal_digits) != hex32(crc32(body))) return std::nullopt;
    return body;
}

std::string sealed_line(std::string_view content) {
    return hex32(crc32(content)).append(1, ' ').append(content).append(1, '\n');
}

std::optional<std::string_view> unsealed_line(std::string_view line) {
    if (line.size() < seal_digits + 1 || line[seal_digits] != ' ') return std::nullopt;
    const std::string_view content = line.substr(seal_digits + 1);
    if (line.substr(0, seal_digits) != hex32(crc32(content))) return std::nullopt;
    return content;
}

std::string sealed_row(std::string_view row) {
    return std::string{row}.append(1, ',').append(hex32(crc32(row))).append(1, '\n');
}

std::optional<std::string_view> unsealed_row(std::string_view line) {
    const std::size_t comma = line.rfind(',');
    if (comma == std::string_view::npos) return std::nullopt;
    const std::string_view row = line.substr(0, comma);
    if (line.substr(comma + 1) != hex32(crc32(row))) return std::nullopt;
    return row;
}

int append_behind(int fd, std::size_t whole, std::size_t size, std::string_view text) noexcept {
    if (whole < size && ::ftruncate(fd, static_cast<off_t>(whole)) != 0) return errno;
    if (const int error = write_at(fd, text, static_cast<off_t>(whole)); error != 0) return error;
    return sync_file(fd);
}

}  // namespace dekeyd::formats
