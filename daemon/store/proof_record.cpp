#include "store/proof_record.hpp"

#include <fmt/format.h>

#include <chrono>

#include "base/durable_file.hpp"
#include "base/sealed.hpp"
#include "plan/number_text.hpp"

// The text:
//   dekeyd-proof 1
//   passed 1795000000
//   crc32 0123abcd

namespace dekeyd::formats {
namespace {

constexpr std::string_view proof_header = "dekeyd-proof 1\npassed ";
constexpr std::size_t largest_proof = 4096;
constexpr std::size_t day_digits = 10;  // of 2026-11-25T...

std::string iso(std::int64_t seconds) {
    return to_iso(std::chrono::seconds{seconds});
}

}  // namespace

std::string proof_text(std::int64_t passed_s) {
    return sealed_text(fmt::format("{}{}\n", proof_header, passed_s));
}

std::optional<std::int64_t> proof_from_text(std::string_view text) {
    if (!text.starts_with(proof_header)) return std::nullopt;
    const std::string_view rest = text.substr(proof_header.size());
    const auto passed = core::to_number<std::int64_t>(rest.substr(0, rest.find_first_not_of("0123456789")));
    return passed && *passed > 0 && proof_text(*passed) == text ? passed : std::nullopt;
}

std::int64_t load_proof(const std::string& directory) {
    const FileBytes file = read_whole(directory + "/proof", largest_proof);
    return file.ok() ? proof_from_text(file.bytes).value_or(0) : 0;
}

std::string save_proof(const std::string& directory, std::int64_t passed_s) {
    return write_durably(directory + "/proof", proof_text(passed_s));
}

ProofStatus proof_status(std::int64_t passed_s, const std::optional<core::Duration>& every, const WallStamp& now) {
    ProofStatus status;
    if (passed_s <= 0) {
        status.overdue = every.has_value();
        status.words = every ? "Overdue: no proof test was ever passed." : "No proof test was ever passed.";
        return status;
    }
    status.last = iso(passed_s);
    const std::string day = status.last.substr(0, day_digits);
    if (!every) {
        status.words = fmt::format("Proof test passed on {}.", day);
        return status;
    }
    const std::int64_t due_s = passed_s + std::chrono::duration_cast<std::chrono::seconds>(*every).count();
    status.due = iso(due_s);
    status.overdue = now.synchronised && now.since_1970 >= std::chrono::seconds{due_s};
    status.words = fmt::format("{} on {}; the next {} due on {}.",
                               status.overdue ? "Overdue: proof test passed" : "Proof test passed", day,
                               status.overdue ? "was" : "is", status.due.substr(0, day_digits));
    return status;
}

}  // namespace dekeyd::formats
