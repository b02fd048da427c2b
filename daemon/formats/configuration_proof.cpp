// proof: how often the whole is to be proved. It warns and never trips.
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {

void read_proof(Section& top, Draft& draft) {
    Section section = top.section("proof", Need::optional);
    draft.configuration.proof_every = section.duration("every", Need::optional);
    section.finish();
}

}  // namespace dekeyd::formats
