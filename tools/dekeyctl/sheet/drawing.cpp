#include "dekeyctl/sheet/drawing.hpp"

#include <fmt/format.h>

#include "dekeyctl/sheet/html.hpp"

namespace dekeyd::ctl::sheet {

void Drawing::box(double x, double y, double width, double height, std::string_view kind) {
    parts_ += fmt::format("<rect class=\"{}\" x=\"{:g}\" y=\"{:g}\" width=\"{:g}\" height=\"{:g}\" rx=\"3\"/>\n", kind,
                          x, y, width, height);
}

void Drawing::line(std::string_view points, std::string_view kind) {
    parts_ += fmt::format("<polyline class=\"{}\" points=\"{}\"/>\n", kind, points);
}

void Drawing::head(double x, double y) {
    parts_ += fmt::format("<path class=\"solid\" d=\"M{:g} {:g}l-8 -4v8z\"/>\n", x, y);
}

void Drawing::arrow(double x1, double y1, double x2, double y2) {
    line(fmt::format("{:g},{:g} {:g},{:g}", x1, y1, x2, y2));
    head(x2, y2);
}

void Drawing::text(double x, double y, std::string_view words, std::string_view kind, std::string_view anchor) {
    parts_ += fmt::format("<text class=\"{}\" x=\"{:g}\" y=\"{:g}\" text-anchor=\"{}\">{}</text>\n", kind, x, y, anchor,
                          escaped(words));
}

void Drawing::mark(double x, double y, std::string_view words) {
    parts_ += fmt::format("<rect class=\"mark\" x=\"{:g}\" y=\"{:g}\" width=\"{:g}\" height=\"{:g}\" rx=\"9\"/>\n", x,
                          y - mark_height / 2.0, mark_width, mark_height);
    text(x + mark_width / 2.0, y + 4.5, words, "on-mark", "middle");
}

std::string Drawing::svg(double width, double height, std::string_view title) const {
    return fmt::format(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:g} {:g}\" "
        "role=\"img\">\n<title>{}</title>\n{}</svg>\n",
        width, height, escaped(title), parts_);
}

}  // namespace dekeyd::ctl::sheet
