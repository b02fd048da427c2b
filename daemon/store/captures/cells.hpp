// The words of a capture's lines and the cells of its rows, each both ways, for its writer and its reader.
#pragma once

#include <array>
#include <charconv>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "core/supervision.hpp"
#include "plan/events.hpp"
#include "plan/reading.hpp"
#include "plan/scan.hpp"

namespace dekeyd::formats::capture {

constexpr std::string_view first_line = "# dekeyd-capture 3", first_line_1 = "# dekeyd-capture 1";
constexpr std::string_view first_line_2 = "# dekeyd-capture 2";  // all details at the top
constexpr std::string_view state_prefix = "#state ";
constexpr std::string_view configuration_prefix = "#configuration ";
constexpr std::string_view end_prefix = "#end ";
constexpr std::string_view fixed_columns =
    "step,t (s),suspended (s),line,contactor line,commands,contactor,decided,sampler";
constexpr std::string_view fixed_columns_1 = "step,t (s),line,commands,contactor,decided,sampler";

/// The shortest text that reads back as the same number.
template <class T>
void add_number(std::string& out, T value) {
    std::array<char, 32> digits{};
    const auto end = std::to_chars(digits.data(), digits.data() + digits.size(), value).ptr;
    out.append(digits.data(), end);
}

/// Seconds, to the nanosecond.
void add_duration(std::string& out, core::Duration duration);
std::optional<core::Duration> to_duration(std::string_view text);

void add_command(std::string& out, const core::Command& command);
std::optional<core::Command> to_command(std::string_view text);

std::string_view line_word(const core::LineState& line);
std::optional<core::LineState> to_line_state(std::string_view word);

/// A row, cell by cell.
class Cells {
public:
    explicit Cells(std::string_view row) : left_{row} {}
    std::string_view next() {
        if (done_) return {};
        const std::size_t comma = left_.find(',');
        const std::string_view cell = left_.substr(0, comma);
        done_ = comma == std::string_view::npos;
        if (!done_) left_.remove_prefix(comma + 1);
        return cell;
    }
    [[nodiscard]] bool done() const { return done_; }

private:
    std::string_view left_;
    bool done_ = false;
};

}  // namespace dekeyd::formats::capture
