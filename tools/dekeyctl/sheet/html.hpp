// HTML that any text may be put into: all of it is escaped here, and nowhere else.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::ctl::sheet {

/// For text and for attributes; control bytes and broken UTF-8 become '?'.
std::string escaped(std::string_view text);

/// A page that grows. Well-formed XML too, so that any parser reads it.
class Html {
public:
    /// Marks of our own.
    Html& raw(std::string_view marks) {
        page_ += marks;
        return *this;
    }
    Html& text(std::string_view words) { return raw(escaped(words)); }
    /// <name class="kind">words</name>
    Html& element(std::string_view name, std::string_view words, std::string_view kind = {});
    Html& open(std::string_view name, std::string_view kind = {});
    Html& close(std::string_view name);

    [[nodiscard]] const std::string& page() const noexcept { return page_; }

private:
    std::string page_;
};

/// One table: each cell knows its column's name, for a narrow screen shows a row as a list.
struct Table {
    std::vector<std::string_view> columns;
    std::vector<std::vector<std::string>> rows;
    std::string_view kind;  ///< class
};
void add(Html& html, const Table& table);

}  // namespace dekeyd::ctl::sheet
