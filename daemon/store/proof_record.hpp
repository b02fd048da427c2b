// When the last proof test was passed, in a file of its own: it decides nothing, so that its loss warns and no more.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "base/wall_time.hpp"
#include "plan/time.hpp"

namespace dekeyd::formats {

/// Pure: the file's text and back; seconds since 1970. Damaged, or not ours: empty.
std::string proof_text(std::int64_t passed_s);
std::optional<std::int64_t> proof_from_text(std::string_view text);

/// Reads <directory>/proof; 0 where there is none that can be believed.
std::int64_t load_proof(const std::string& directory);
/// Empty when durable, otherwise what failed, where and how to mend it.
std::string save_proof(const std::string& directory, std::int64_t passed_s);

struct ProofStatus {
    std::string last;  ///< ISO 8601; empty: never
    std::string due;   ///< empty: no interval is configured, or never passed
    bool overdue = false;
    std::string words;
};
/// While the clock is not set, only a proof test that was never made is overdue.
ProofStatus proof_status(std::int64_t passed_s, const std::optional<core::Duration>& every, const WallStamp& now);

}  // namespace dekeyd::formats
