#include "telemetry/guard_view.hpp"

#include <doctest/doctest.h>

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

constexpr core::Instant now{100s};

formats::FeedEvents batch(std::uint64_t after, std::uint64_t durable, std::vector<std::uint64_t> numbers) {
    formats::FeedEvents events{.after = after, .durable = durable, .entries = {}};
    for (const std::uint64_t number : numbers) events.entries.push_back({number, std::to_string(number)});
    return events;
}

}  // namespace

TEST_CASE("events are asked for once, and taken in order") {
    FetchedEvents events;
    CHECK_FALSE(events.wanted(now));
    CHECK_FALSE(events.take(5).entry);
    CHECK(events.wanted(now) == 4);
    CHECK_FALSE(events.take(5).entry);
    CHECK_FALSE(events.wanted(now + 1999ms));  // it is on its way
    CHECK(events.wanted(now + 2s) == 4);       // or it isn't
    events.put(batch(4, 9, {5, 6}));
    CHECK(events.take(5).entry->number == 5);
    CHECK(events.take(6).entry->number == 6);
    CHECK_FALSE(events.take(7).entry);
    CHECK(events.wanted(now + 2s) == 6);
}

TEST_CASE("what is gone is told apart from what isn't here yet") {
    FetchedEvents events;
    CHECK_FALSE(events.take(1).gone_through);
    events.put(batch(0, 8, {4, 5}));
    CHECK(events.take(1).entry->number == 4);  // 1 to 3 are gone
    SUBCASE("a batch with nothing: all up to its end") {
        events.put(batch(8, 12, {}));
        const auto next = events.take(9);
        CHECK_FALSE(next.entry);
        CHECK(next.gone_through == 12);
        CHECK_FALSE(events.take(9).gone_through);
    }
    SUBCASE("a batch with nothing because there is nothing yet") {
        events.put(batch(8, 8, {}));
        CHECK_FALSE(events.take(9).gone_through);
    }
    SUBCASE("a batch for a later number says nothing of earlier ones") {
        events.put(batch(20, 30, {21}));
        const auto next = events.take(9);
        CHECK_FALSE(next.entry);
        CHECK_FALSE(next.gone_through);
        CHECK(events.wanted(now) == 8);
    }
    SUBCASE("nor does an empty one") {
        events.put(batch(20, 30, {}));
        CHECK_FALSE(events.take(9).gone_through);
    }
    SUBCASE("another guard: nothing of the last one is left") {
        events.forget();
        CHECK_FALSE(events.take(5).entry);
    }
}

TEST_CASE("a command is for the guard that is there, and for no later one") {
    core::Plan plan;
    GuardView view{plan};
    CHECK_FALSE(view.ask({core::CommandKind::hold, {}}));
    CHECK_FALSE(view.reachable());
    view.set_reachable(true);
    CHECK(view.ask({core::CommandKind::hold, {}}));
    view.set_reachable(false);
    view.set_reachable(true);
    CHECK(view.take_commands().empty());
    for (std::size_t i = 0; i < GuardView::most_commands; ++i) CHECK(view.ask({core::CommandKind::reset, {}}));
    CHECK_FALSE(view.ask({core::CommandKind::reset, {}}));
    CHECK(view.take_commands().size() == GuardView::most_commands);
    CHECK(view.ask({core::CommandKind::reset, {}}));
}
