#include "bench/scenario.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <fstream>
#include <iterator>
#include <stdexcept>

#include "bench/words.hpp"

namespace bench {

Scenario::Scenario(std::string_view text, std::string_view name) {
    Bench rehearsal;
    int line_number = 0;
    while (!text.empty()) {
        ++line_number;
        const std::size_t end = std::min(text.find('\n'), text.size());
        const std::string_view line = text.substr(0, std::min(text.substr(0, end).find('#'), end));
        text.remove_prefix(std::min(end + 1, text.size()));
        if (split(line).empty()) continue;
        const std::size_t colon = line.find(':');
        const auto when = split(line.substr(0, std::min(colon, line.size())));
        const auto at_s = quantity(when, 1, "s");
        if (colon == std::string_view::npos || when.empty() || when[0] != "at" || !at_s || *at_s < 0.0 || *at_s > 1e7) {
            throw std::runtime_error(
                fmt::format("{}:{}: expected \"at SECONDS s: COMMAND\", got \"{}\"", name, line_number, line));
        }
        const std::string command = join(split(line.substr(colon + 1)));
        const std::string wrong = command == "end" ? "" : rehearsal.command(command);
        if (!wrong.empty()) throw std::runtime_error(fmt::format("{}:{}: {}", name, line_number, wrong));
        steps_.push_back({static_cast<std::int64_t>(*at_s * 1e9), command});
    }
    std::stable_sort(steps_.begin(), steps_.end(), [](const Step& a, const Step& b) { return a.at_ns < b.at_ns; });
}

Scenario Scenario::load(const std::string& path) {
    std::ifstream file(path);
    if (!file) throw std::runtime_error(fmt::format("{}: cannot be read; expected a scenario file", path));
    const std::string text{std::istreambuf_iterator<char>(file), {}};
    return Scenario(text, path);
}

bool Scenario::play(Bench& bench, std::int64_t clock_ns) {
    if (epoch_ns_ < 0) epoch_ns_ = bench.now_ns();
    while (next_ < steps_.size() && epoch_ns_ + steps_[next_].at_ns <= clock_ns) {
        const Step& step = steps_[next_++];
        bench.advance_to(epoch_ns_ + step.at_ns);
        if (step.command == "end") return false;
        bench.command(step.command);  // rehearsed: it can't be wrong
    }
    bench.advance_to(clock_ns);
    return true;
}

}  // namespace bench
