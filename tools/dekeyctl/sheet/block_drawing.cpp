#include "dekeyctl/sheet/block_drawing.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <span>

#include "configuration/summary.hpp"
#include "dekeyctl/sheet/drawing.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl::sheet {
namespace {

// Five boxes in a row: on A4 and letter their words are then some 8 points high.
constexpr double page_width = 784.0;
constexpr double left_edge = 16.0;
constexpr double box_width = 131.0;
constexpr double gap = 24.0;
constexpr std::size_t in_a_row = 5;
constexpr double line_height = 16.0;
constexpr double margin = 8.0;
// What fits into a box in a wide sans-serif, at 12 units.
constexpr std::size_t bold_columns = 15;
constexpr std::size_t columns_in_box = 17;
constexpr std::size_t marks_in_a_row = 3;

struct Row {
    std::string words;
    const char* kind;
};

void add_wrapped(std::vector<Row>& rows, std::string_view words, std::size_t columns, std::size_t most,
                 const char* kind) {
    if (words.empty()) return;
    std::vector<std::string> wrapped = wrap(printable(words), columns);
    if (wrapped.size() > most) {
        wrapped.resize(most);
        wrapped.back() = clip(wrapped.back(), columns - 1) + "~";
    }
    for (std::string& row : wrapped) rows.push_back({std::move(row), kind});
}

std::vector<Row> rows_of(const Part& part) {
    std::vector<Row> rows;
    add_wrapped(rows, part.name, bold_columns, 2, "name");
    for (const std::string& note : part.notes) add_wrapped(rows, note, columns_in_box, 5, "note");
    add_wrapped(rows, part.rating, bold_columns, 2, "rating");
    return rows;
}

double height_of(std::size_t rows) {
    return 2.0 * margin + line_height * static_cast<double>(rows);
}

double rows_height(std::span<const Row> rows) {
    return height_of(rows.size());
}

void draw_rows(Drawing& drawing, std::span<const Row> rows, double x, double y, double height, std::string_view kind) {
    drawing.box(x, y, box_width, height, kind);
    double baseline = y + (height - line_height * static_cast<double>(rows.size())) / 2.0 + 12.0;
    for (const Row& row : rows) {
        drawing.text(x + box_width / 2.0, baseline, row.words, row.kind, "middle");
        baseline += line_height;
    }
}

/// What hangs below a box: a load on its own wire, and the marks of wires. Returns its height.
double draw_below(Drawing* drawing, const Part& part, double x, double y) {
    double height = 0.0;
    if (!part.below.empty()) {
        std::vector<Row> rows;
        for (const std::string& words : part.below)
            add_wrapped(rows, words, columns_in_box, 2, rows.empty() ? "name" : "rating");
        if (drawing != nullptr) {
            const double middle = x + box_width / 2.0;
            drawing->line(fmt::format("{:g},{:g} {:g},{:g}", middle, y, middle, y + 12.0));
            draw_rows(*drawing, rows, x, y + 12.0, rows_height(rows), "load");
        }
        height += 12.0 + rows_height(rows);
    }
    for (std::size_t i = 0; i < part.marks.size(); ++i) {
        const std::size_t in_row = std::min(part.marks.size() - i / marks_in_a_row * marks_in_a_row, marks_in_a_row);
        const double row_width = static_cast<double>(in_row) * (mark_width + 6.0) - 6.0;
        if (i % marks_in_a_row == 0) height += mark_height + 4.0;
        if (drawing != nullptr)
            drawing->mark(
                x + (box_width - row_width) / 2.0 + static_cast<double>(i % marks_in_a_row) * (mark_width + 6.0),
                y + height - mark_height / 2.0, part.marks[i]);
    }
    return height;
}

double place_of_box(std::size_t i) {
    return left_edge + static_cast<double>(i) * (box_width + gap);
}

/// One row of boxes with what hangs below them; returns the y below all of it, and in `middle` where its wires run.
double draw_row(Drawing& drawing, std::span<const Part> parts, double y, double& middle) {
    double height = 0.0, below = 0.0;
    for (const Part& part : parts) {
        height = std::max(height, rows_height(rows_of(part)));
        below = std::max(below, draw_below(nullptr, part, 0.0, 0.0));
    }
    middle = y + height / 2.0;
    for (std::size_t i = 0; i < parts.size(); ++i) {
        const double x = place_of_box(i);
        draw_rows(drawing, rows_of(parts[i]), x, y, height, "part");
        if (i > 0) drawing.arrow(x - gap, middle, x, middle);
        draw_below(&drawing, parts[i], x, y + height);
    }
    return y + height + below;
}

/// Several rows; from the end of one a wire leads to the beginning of the next.
double draw_chain(Drawing& drawing, const std::vector<Part>& parts, double y) {
    double end_of_last = 0.0, between = 0.0;
    for (std::size_t first = 0; first < parts.size(); first += in_a_row) {
        const std::span<const Part> row = std::span{parts}.subspan(first, std::min(in_a_row, parts.size() - first));
        double middle = 0.0;
        const double bottom = draw_row(drawing, row, y, middle);
        if (first > 0) {
            const double right = place_of_box(in_a_row - 1) + box_width;
            drawing.line(fmt::format("{:g},{:g} {:g},{:g} {:g},{:g} {:g},{:g} {:g},{:g}", right, end_of_last,
                                     right + 8.0, end_of_last, right + 8.0, between, left_edge - 12.0, between,
                                     left_edge - 12.0, middle));
            drawing.arrow(left_edge - 12.0, middle, left_edge, middle);
        }
        end_of_last = middle;
        between = bottom + 12.0;
        y = bottom + 24.0;
    }
    return y - 24.0;
}

struct BoardBox {
    std::string title;
    std::vector<std::pair<std::string, std::string>> rows;  ///< mark, words
};

std::vector<BoardBox> board_boxes(const formats::Configuration& configuration, const std::vector<Wire>& wires) {
    std::vector<BoardBox> boxes{{"Outputs", {}}};
    for (const Wire& wire : wires)
        if (wire.bus.empty())
            boxes.front().rows.emplace_back(wire.mark, fmt::format("{}: {}", wire.board, wire.carries));
    for (const formats::BusConfig& bus : configuration.buses) {
        BoardBox box{fmt::format("{}: {} {}", bus.id, formats::driver_words(bus.driver), bus.device), {}};
        for (const Wire& wire : wires)
            if (wire.bus == bus.id) box.rows.emplace_back(wire.mark, fmt::format("{}: {}", wire.board, wire.carries));
        if (!box.rows.empty()) boxes.push_back(std::move(box));
    }
    return boxes;
}

}  // namespace

std::string signal_drawing(const formats::Configuration& configuration, const std::vector<Wire>& wires) {
    Drawing drawing;
    const double bottom = draw_chain(drawing, main_chain(configuration, wires), 4.0);
    return drawing.svg(page_width, bottom + 4.0, "The way of the signal, from the exciter to the antenna");
}

std::string detector_drawing(const formats::Configuration& configuration, const std::vector<Wire>& wires) {
    const auto chains = detector_chains(configuration, wires);
    if (chains.empty()) return {};
    Drawing drawing;
    double y = 4.0;
    for (const std::vector<Part>& chain : chains) y = draw_chain(drawing, chain, y) + 14.0;
    return drawing.svg(page_width, y - 10.0, "From each coupler to its detector and the converter");
}

std::string board_drawing(const formats::Configuration& configuration, const std::vector<Wire>& wires) {
    constexpr double inner = 14.0, row_height = 24.0;
    constexpr double width = (page_width - 2.0 * left_edge - 3.0 * inner) / 2.0;
    constexpr std::size_t title_columns = 44, row_columns = 42;
    Drawing drawing, inside;
    double bottoms[2] = {38.0, 38.0};
    for (const BoardBox& box : board_boxes(configuration, wires)) {
        const std::size_t side = bottoms[0] <= bottoms[1] ? 0 : 1;
        const double x = left_edge + inner + static_cast<double>(side) * (width + inner);
        const double y = bottoms[side], height = 32.0 + row_height * static_cast<double>(box.rows.size());
        inside.box(x, y, width, height, "part");
        inside.text(x + 10.0, y + 19.0, clip(printable(box.title), title_columns), "name");
        for (std::size_t i = 0; i < box.rows.size(); ++i) {
            const double middle = y + 38.0 + row_height * static_cast<double>(i);
            inside.mark(x + 8.0, middle, box.rows[i].first);
            inside.text(x + 52.0, middle + 4.5, clip(printable(box.rows[i].second), row_columns), "note");
        }
        bottoms[side] = y + height + 12.0;
    }
    const double bottom = std::max(bottoms[0], bottoms[1]);
    drawing.box(left_edge, 4.0, page_width - 2.0 * left_edge, bottom - 2.0, "board");
    drawing.text(left_edge + inner, 26.0, "Board", "name");
    drawing.add(inside);
    return drawing.svg(page_width, bottom + 6.0, "The board with its outputs and buses");
}

}  // namespace dekeyd::ctl::sheet
