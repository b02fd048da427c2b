#include "dekeyctl/prove/proof_outlook.hpp"

#include <algorithm>

#include "dekeyctl/daily/status_words.hpp"

namespace dekeyd::ctl {

double proof_seconds(const Limit& limit) {
    constexpr double look_s = 0.4;  // two of the command's looks at what still stands
    return limit.trips && limit.provable ? limit.reaction_s + limit.hold_off_s + look_s : 0.0;
}

ProofOutlook proof_outlook(const std::vector<Limit>& limits) {
    constexpr double line_s = 5.0;  // the line both ways, and a look at the contact
    ProofOutlook outlook{.limits = 0, .seconds = line_s};
    for (const Limit& limit : limits) {
        outlook.limits += limit.trips && limit.provable ? 1 : 0;
        outlook.seconds += proof_seconds(limit);
    }
    return outlook;
}

std::string what_else_stands(const Status& status) {
    std::string words;
    for (const auto& cause : status.causes) words += (words.empty() ? "" : "; ") + cause_words(status, cause);
    return words;
}

}  // namespace dekeyd::ctl
