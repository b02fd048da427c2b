#include "plan/plan.hpp"

#include <doctest/doctest.h>

#include <set>

#include "core/timeline.hpp"

using namespace timeline;

TEST_CASE("every quantity has an id of its own, fit for a topic, and a name") {
    const Plan p = plan();
    std::set<std::string_view> ids;
    for (std::size_t i = 0; i < p.quantity_count(); ++i) {
        const QuantityInfo info = describe(p, static_cast<QuantityIndex>(i));
        CAPTURE(i);
        CHECK_FALSE(info.id.empty());
        CHECK_FALSE(info.name.empty());
        CHECK(info.id.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-") == std::string_view::npos);
        CHECK(ids.insert(info.id).second);
    }
    CHECK(describe(p, static_cast<QuantityIndex>(p.quantity_count())).id.empty());
    CHECK(describe(p, heatsink).unit == Unit::celsius);
    CHECK(describe(p, p.index(Derived::vswr)).id == "vswr");
}

TEST_CASE("kinds have their units") {
    CHECK(unit_of(ChannelKind::power) == Unit::watt);
    CHECK(unit_of(ChannelKind::speed) == Unit::rpm);
    CHECK(unit_of(ChannelKind::contact) == Unit::none);
}
