// proof: how often the whole is to be proved. It warns and never trips.
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;

void read_proof(Section& top, Draft& draft) {
    constexpr core::Duration shortest = 24h, longest = 24h * 3660;
    Section section = top.section("proof", Need::optional);
    const auto every = section.duration("every", Need::optional);
    if (every && (*every < shortest || *every > longest)) {
        section.fault("every", "less than a day or more than ten years", "a few months, such as 90 d");
    }
    draft.configuration.proof_every = every;
    section.finish();
}

}  // namespace dekeyd::formats
