// A CSV that only grows: each row ends in a checksum, so that half a row is never taken for one. Any spreadsheet opens
// it.
//
// A line of column names ends in ",check"; it comes again where the columns change. A row ends in ",<crc32 of what is
// before it>".
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::formats {

/// Adds one row, durably; makes the file, cuts off a torn end and writes the column names as needed. `columns` and
/// `row` are without line break. Empty, or what failed and how to mend it; then it may simply be tried again, and the
/// file has what it had.
std::string append_row(const std::string& path, std::string_view columns, std::string_view row);

struct Row {
    std::string columns;  ///< those that stand above it
    std::string text;     ///< without its checksum
};
struct Rows {
    std::vector<Row> rows;
    std::size_t damaged = 0;  ///< lines that are not whole
    int error = 0;            ///< errno when the file can't be read
};
Rows read_rows(const std::string& path);
/// The same of a text.
Rows rows_of(std::string_view text);

}  // namespace dekeyd::formats
