#include "store/checked_rows.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>
#include <optional>

#include "base/durable_file.hpp"
#include "base/sealed.hpp"

namespace dekeyd::formats {
namespace {

constexpr std::size_t largest_log = 16UL * 1024 * 1024;
constexpr std::string_view check_column = ",check";

struct Line {
    bool columns = false;
    std::string_view text;
};

std::optional<Line> row_of_line(std::string_view line) {
    if (line.ends_with(check_column)) return Line{true, line.substr(0, line.size() - check_column.size())};
    const auto row = unsealed_row(line);
    return row ? std::optional{Line{false, *row}} : std::nullopt;
}

}  // namespace

Rows rows_of(std::string_view text) {
    Rows result;
    std::string columns;
    std::size_t whole = 0;
    each_line(text, [&](std::string_view line, std::size_t end) {
        whole = end;
        const auto right = row_of_line(line);
        if (!right) {
            ++result.damaged;
        } else if (right->columns) {
            columns = right->text;
        } else {
            result.rows.push_back({.columns = columns, .text = std::string{right->text}});
        }
    });
    if (whole < text.size()) ++result.damaged;
    return result;
}

Rows read_rows(const std::string& path) {
    const FileBytes file = read_whole(path, largest_log);
    if (file.ok()) return rows_of(file.bytes);
    Rows failed;
    failed.error = file.too_large ? EFBIG : file.error;
    return failed;
}

std::string append_row(const std::string& path, std::string_view columns, std::string_view row) {
    const FileBytes file = read_whole(path, largest_log);
    const bool is_new = file.error == ENOENT;
    if (file.too_large) return path + " is larger than any log that dekeyd writes; move it away";
    if (!file.ok() && !is_new) return file_trouble("can't read", path, file.error);
    std::string_view last_columns;
    std::size_t whole = 0;
    each_line(file.bytes, [&](std::string_view line, std::size_t end) {
        const auto right = row_of_line(line);
        if (right) whole = end;
        if (right && right->columns) last_columns = right->text;
    });
    std::string text;
    if (last_columns != columns || whole == 0) text.append(columns).append(check_column).append(1, '\n');
    text.append(sealed_row(row));

    const int fd = ::open(path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd < 0) return file_trouble("can't open", path, errno);
    if (const int error = append_behind(fd, whole, file.bytes.size(), text); error != 0) {
        // A row that isn't durable is written again, so it must not stay. If this fails too, its end is cut next time.
        if (::ftruncate(fd, static_cast<off_t>(whole)) != 0) whole = 0;
        ::close(fd);
        return file_trouble("can't append to", path, error);
    }
    ::close(fd);
    return is_new ? sync_folder(std::filesystem::path{path}.parent_path().string()) : std::string{};
}

}  // namespace dekeyd::formats
