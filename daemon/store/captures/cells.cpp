#include "store/captures/cells.hpp"

#include <array>

#include "plan/number_text.hpp"

namespace dekeyd::formats::capture {

namespace {

constexpr std::int64_t second_ns = 1'000'000'000;

}  // namespace

void add_duration(std::string& out, core::Duration duration) {
    std::int64_t ns = duration.count();
    if (ns < 0) out.push_back('-');
    if (ns < 0) ns = -ns;
    add_number(out, ns / second_ns);
    std::int64_t part = ns % second_ns;
    if (part == 0) return;
    std::array<char, 10> digits{};
    digits[0] = '.';
    for (std::size_t place = 9; place > 0; --place, part /= 10) digits[place] = static_cast<char>('0' + part % 10);
    std::string_view shown{digits.data(), digits.size()};
    shown = shown.substr(0, shown.find_last_not_of('0') + 1);
    out.append(shown);
}

std::optional<core::Duration> to_duration(std::string_view text) {
    const bool negative = text.starts_with('-');
    if (negative) text.remove_prefix(1);
    const std::size_t dot = text.find('.');
    const auto whole = core::to_number<std::int64_t>(text.substr(0, dot));
    if (!whole || *whole < 0 || *whole > 1'000'000'000) return std::nullopt;
    std::int64_t ns = *whole * second_ns;
    if (dot != std::string_view::npos) {
        const std::string_view digits = text.substr(dot + 1);
        const auto part = core::to_number<std::int64_t>(digits);
        if (!part || *part < 0 || digits.size() > 9) return std::nullopt;
        std::int64_t scaled = *part;
        for (std::size_t place = digits.size(); place < 9; ++place) scaled *= 10;
        ns += scaled;
    }
    return core::Duration{negative ? -ns : ns};
}

void add_command(std::string& out, const core::Command& command) {
    out.append(core::text(command.kind)).append(1, ' ');
    add_number(out, static_cast<unsigned>(command.origin));
    out.push_back(' ');
    add_number(out, command.id);
    if (command.kind != core::CommandKind::prove_limit) return;
    out.push_back(' ');
    add_number(out, command.limit);
}

std::optional<core::Command> to_command(std::string_view text) {
    const std::size_t first = text.find(' ');
    const std::size_t second = text.find(' ', first + 1);
    if (first == std::string_view::npos || second == std::string_view::npos) return std::nullopt;
    core::Command command;
    const auto kind = core::command_kind_words.find(text.substr(0, first));
    const std::size_t third = text.find(' ', second + 1);
    const bool of_limit = third != std::string_view::npos;
    const auto origin = core::to_number<unsigned>(text.substr(first + 1, second - first - 1));
    const auto id = core::to_number<std::uint32_t>(text.substr(second + 1, of_limit ? third - second - 1 : third));
    const auto limit =
        of_limit ? core::to_number<std::uint16_t>(text.substr(third + 1)) : std::optional<std::uint16_t>{0};
    if (!kind || !origin || *origin > static_cast<unsigned>(core::Origin::remote) || !id || !limit) return {};
    command.kind = *kind;
    command.origin = static_cast<core::Origin>(*origin);
    command.id = *id;
    command.limit = *limit;
    return command;
}

std::string_view line_word(const core::LineState& line) {
    if (!line.known) return line.permit ? "unknown-permit" : "unknown";
    return line.permit ? "permit" : "inhibit";
}

std::optional<core::LineState> to_line_state(std::string_view word) {
    for (const bool known : {false, true}) {
        for (const bool permit : {false, true}) {
            const core::LineState state{.known = known, .permit = permit};
            if (line_word(state) == word) return state;
        }
    }
    return std::nullopt;
}

}  // namespace dekeyd::formats::capture
