// A story for the bench: commands with their times.
//
//   # water in the connector
//   at 0 s: drive 1.6 W
//   at 2 s: key on
//   at 10 s: antenna wet over 20 s
//   at 60 s: end
//
// Times count from the start, in seconds; lines with the same time keep their order. `end` ends the bench.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "bench/bench.hpp"

namespace bench {

class Scenario {
public:
    Scenario() = default;
    /// Throws std::runtime_error naming `name`, the line, what was wrong and what was expected. Every command is tried
    /// on an amplifier of its own first, so that a misspelt one is found now and not at its time.
    Scenario(std::string_view text, std::string_view name);
    static Scenario load(const std::string& path);  ///< and when it can't be read

    /// Advances the bench to `clock_ns`, carrying out what is due on the way at its exact time. False after `end`.
    bool play(Bench& bench, std::int64_t clock_ns);

private:
    struct Step {
        std::int64_t at_ns;
        std::string command;
    };
    std::vector<Step> steps_;
    std::size_t next_ = 0;
    std::int64_t epoch_ns_ = -1;  ///< the bench's clock at the first `play`
};

}  // namespace bench
