// proof: how often the whole is to be proved. It warns and never trips.
#include <fmt/format.h>

#include <array>

#include "configuration/parts.hpp"
#include "words/standing_text.hpp"

namespace dekeyd::formats {
namespace {

constexpr std::array proof_rows{
    KeyRow{.path = "proof", .kind = KeyKind::section, .says = "The proof test, `dekeyctl prove`."},
    KeyRow{.path = "proof.every",
           .kind = KeyKind::time,
           .between = fixed(row_units::day, 3660 * row_units::day, "usual is some months, such as 90 d"),
           .usual_words = "it is never overdue",
           .says = "The proof test is overdue after this time, which warns and never trips.",
           .into = [](const Given& v) { v.draft.configuration.proof_every = v.time; }},
};

}  // namespace

std::span<const KeyRow> proof_keys() {
    return proof_rows;
}

void read_proof(Section& top, Draft& draft) {
    Section section = top.section("proof");
    read_keys(section, draft);
    section.finish();
    const std::string_view never = no_proof_here(draft.plan());
    if (draft.configuration.proof_every && !never.empty())
        draft.report.advise(section.place_of("every"), section.path_of("every"),
                            fmt::format("no proof test can ever pass here: {}", never));
}

}  // namespace dekeyd::formats
