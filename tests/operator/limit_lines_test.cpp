#include "dekeyctl/daily/limit_lines.hpp"

#include <doctest/doctest.h>

#include <string>

using namespace dekeyd::ctl;

namespace {

bool has(const std::string& text, std::string_view part) {
    return text.find(part) != std::string::npos;
}

std::string bar_text(const Quantity& quantity, const std::vector<const Limit*>& limits, std::size_t room) {
    return to_text({bar(quantity, limits, room)}, {}, true);
}

}  // namespace

TEST_CASE("bars: the value between its levels") {
    const Limit above{.id = "a", .watch = "q", .above = true, .trip = 70.0, .clear = 55.0, .warn = 65.0};
    Quantity quantity{.id = "q", .value = 42.0, .health = "good"};
    // The scale ends at trip + 20 % of the way: 84 for a trip at 70; 43 columns are 2 a step.
    CHECK(bar_text(quantity, {&above}, 43) == "━━━━━━━━━━━━━━━━━━━━━●──────c────w─T───────\n");
    quantity.value = 71.0;
    CHECK(has(bar_text(quantity, {&above}, 43), "◆"));  // beyond: another shape
    quantity.value = 500.0;
    CHECK(has(bar_text(quantity, {&above}, 43), "▶"));
    quantity.value.reset();
    CHECK(bar_text(quantity, {&above}, 43) == "────────────────────────────c────w─T───────\n");
    const Limit below{.id = "b", .watch = "q", .above = false, .trip = 24.0};
    const Limit high{.id = "h", .watch = "q", .above = true, .trip = 31.0};
    quantity.value = 27.5;
    // Two trips: no filling, since neither end is rest.
    CHECK(bar_text(quantity, {&below, &high}, 17) == "───T────●────T───\n");
}

TEST_CASE("bars of milliwatts: the scale is the trip's own size") {
    const Limit drive{.id = "d", .watch = "drive", .above = true, .trip = 0.02};
    Quantity quantity{.id = "drive", .unit = "W", .value = 0.005, .health = "good"};
    // To 24 mW: 1 mW a step.
    CHECK(bar_text(quantity, {&drive}, 25) == "━━━━━●──────────────T────\n");
    quantity.value = 0.02;
    CHECK(has(bar_text(quantity, {&drive}, 25), "◆"));
    const Limit least{.id = "l", .watch = "drive", .above = false, .trip = 0.01};
    quantity.value = 0.015;
    CHECK(bar_text(quantity, {&least}, 21) == "━━━━━━━━━━T━━━━●─────\n");
    const Limit frost{.id = "f", .watch = "q", .above = true, .trip = -10.0};
    quantity.value = -15.0;
    CHECK(bar_text(quantity, {&frost}, 25) == "━━━━━━━━━━●─────────T────\n");
}
