// Lines and texts that show whether they are whole: what a power cut tore, or a disk altered, is noticed by its
// checksum. All that is kept on the disk as text is sealed here, and cut into lines here.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace dekeyd::formats {

/// The usual CRC-32 (polynomial 0x04C11DB7 reflected, all ones in and out): "123456789" gives cbf43926.
/// `before`: the sum of the bytes in front of these, for text that comes in pieces.
std::uint32_t crc32(std::string_view bytes, std::uint32_t before = 0) noexcept;

/// Eight lower-case hexadecimal digits.
std::string hex32(std::uint32_t value);

/// The text (which ends in a line break) and behind it the line "crc32 <8 digits>".
std::string sealed_text(std::string text);
/// The text without that line; none when it isn't there or doesn't fit.
std::optional<std::string_view> unsealed_text(std::string_view text);

/// "<8 digits> <content>" and a line break.
std::string sealed_line(std::string_view content);
/// The content of such a line (without its line break); none when the checksum doesn't fit.
std::optional<std::string_view> unsealed_line(std::string_view line);

/// "<row>,<8 digits>" and a line break: the last column of a table.
std::string sealed_row(std::string_view row);
std::optional<std::string_view> unsealed_row(std::string_view line);

/// Calls `use(line, end)` for each line that ends in a line break: the line without it, and the place behind it.
template <class Use>
void each_line(std::string_view text, Use use) {
    std::size_t start = 0;
    for (std::size_t end = 0; (end = text.find('\n', start)) != std::string_view::npos; start = end + 1) {
        use(text.substr(start, end - start), end + 1);
    }
}

/// Puts `text` behind the first `whole` bytes of a file that has `size`, in place of a torn tail, and makes it durable.
/// 0, or the errno of what failed; then the file may end in half of it, which the next call cuts off.
int append_behind(int fd, std::size_t whole, std::size_t size, std::string_view text) noexcept;

}  // namespace dekeyd::formats
