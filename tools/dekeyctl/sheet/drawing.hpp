// A drawing of boxes and wires as inline SVG.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::ctl::sheet {

/// All in units of the drawing; y grows downwards.
class Drawing {
public:
    void box(double x, double y, double width, double height, std::string_view kind);
    void line(std::string_view points, std::string_view kind = "wire");
    /// A wire with its head at the second point.
    void arrow(double x1, double y1, double x2, double y2);
    /// The head alone, towards +x, with its point there.
    void head(double x, double y);
    void text(double x, double y, std::string_view words, std::string_view kind, std::string_view anchor = "start");
    /// A wire's mark, its left end at x, centred on y.
    void mark(double x, double y, std::string_view words);

    /// On top of what is there.
    void add(const Drawing& over) { parts_ += over.parts_; }
    /// The whole element, `width` by `height`; `title` is for readers that can't see it.
    [[nodiscard]] std::string svg(double width, double height, std::string_view title) const;

private:
    std::string parts_;
};

inline constexpr double mark_width = 36.0;
inline constexpr double mark_height = 18.0;

}  // namespace dekeyd::ctl::sheet
