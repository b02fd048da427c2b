// The core's limits as a fault might have left them: whatever is read, or isn't, is clear. Linked in front of core's
// library into a daemon that is otherwise the real one.
#define verdict_of verdict_in_order
#include "../../../daemon/core/limit.cpp"
#undef verdict_of

namespace dekeyd::core {

Verdict verdict_of(const LimitPlan&, const Reading&, const Reading*, bool) noexcept {
    return Verdict::clear;
}

Verdict verdict_of(const LimitPlan&, Standing, const Reading&, bool) noexcept {
    return Verdict::clear;
}

}  // namespace dekeyd::core
