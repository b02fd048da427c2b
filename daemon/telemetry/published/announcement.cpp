#include "telemetry/published/announcement.hpp"

#include "base/wall_clock.hpp"
#include "telemetry/published/description_version.hpp"

namespace dekeyd {

void Announcement::go_on(const std::function<bool()>& subscribe, core::Instant now) {
    if (said_ == Said::nothing) {
        if (!outbox_.send({.topic = device_.state_topic(), .payload = "init"}, now) || !subscribe()) return;
        said_ = Said::state;
    }
    if (said_ != Said::state) return;
    if (!description_)
        description_ = device_.description(description_version(folder_, device_.description(0), wall_stamp(now)));
    if (outbox_.send({.topic = device_.description_topic(), .payload = *description_}, now)) said_ = Said::description;
}

}  // namespace dekeyd
