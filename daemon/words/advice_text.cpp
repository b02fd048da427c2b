#include "words/advice_text.hpp"

#include "words/back_off_text.hpp"
#include "words/cooling_text.hpp"
#include "words/drive_text.hpp"

namespace dekeyd::formats {

std::string advice_text(const core::Plan& plan, const core::Snapshot& snapshot) {
    std::string text;
    for (const std::string& sentence :
         {back_off_text(plan, snapshot), drive_text(plan, snapshot), cooling_text(plan, snapshot)}) {
        if (sentence.empty()) continue;
        text += (text.empty() ? "" : " ") + sentence;
    }
    return text;
}

bool may_advise(const core::Plan& plan) noexcept {
    return core::can_be_known(plan, plan.index(core::Derived::back_off)) ||
           core::can_be_known(plan, plan.index(core::Derived::settling_temperature)) ||
           (plan.rf.emission.back_off_db && plan.roles.forward);
}

}  // namespace dekeyd::formats
