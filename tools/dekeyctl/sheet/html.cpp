#include "dekeyctl/sheet/html.hpp"

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl::sheet {

std::string escaped(std::string_view text) {
    std::string result;
    for (const char c : printable(text)) {
        switch (c) {
            case '&': result += "&amp;"; break;
            case '<': result += "&lt;"; break;
            case '>': result += "&gt;"; break;
            case '"': result += "&quot;"; break;
            case '\'': result += "&#39;"; break;
            default: result += c;
        }
    }
    return result;
}

Html& Html::open(std::string_view name, std::string_view kind) {
    raw("<").raw(name);
    if (!kind.empty()) raw(" class=\"").text(kind).raw("\"");
    return raw(">");
}

Html& Html::close(std::string_view name) {
    return raw("</").raw(name).raw(">\n");
}

Html& Html::element(std::string_view name, std::string_view words, std::string_view kind) {
    return open(name, kind).text(words).close(name);
}

void add(Html& html, const Table& table) {
    html.open("table", table.kind).raw("<thead><tr>");
    for (const std::string_view column : table.columns) html.raw("<th scope=\"col\">").text(column).raw("</th>");
    html.raw("</tr></thead>\n<tbody>\n");
    for (const auto& row : table.rows) {
        html.raw("<tr>");
        for (std::size_t i = 0; i < row.size(); ++i)
            html.raw("<td data-column=\"").text(table.columns[i]).raw("\">").text(row[i]).raw("</td>");
        html.raw("</tr>\n");
    }
    html.raw("</tbody>").close("table");
}

}  // namespace dekeyd::ctl::sheet
