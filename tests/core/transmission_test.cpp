// When a transmission begins and ends, at the edges of its times.
#include "core/transmission.hpp"

#include <doctest/doctest.h>

#include <chrono>

#include "timeline.hpp"

using namespace timeline;

namespace {

struct Watched {
    Plan plan = timeline::plan();
    EventList events{16};
    TransmissionWatch watch{plan};
    /// What was told in that step, or nothing.
    std::optional<EventKind> step(Duration at, RfLook look) {
        events.clear();
        watch.step(Instant{at}, look, events);
        if (events.all().empty()) return std::nullopt;
        CHECK(events.all().size() == 1);
        CHECK(events.all()[0].at == Instant{at});
        return events.all()[0].kind;
    }
};

}  // namespace

TEST_CASE("transmission: from the first RF to the end of the hang time") {
    Watched w;
    w.plan.rf.hang_time = 1s;
    CHECK_FALSE(w.step(1s, RfLook::absent));
    CHECK_FALSE(w.watch.since());
    CHECK(w.step(2s, RfLook::present) == EventKind::rf_on);
    CHECK(w.watch.since() == Instant{2s});
    CHECK(w.watch.rf_present());
    CHECK_FALSE(w.step(3s, RfLook::present));
    CHECK_FALSE(w.step(3999ms, RfLook::absent));
    CHECK_FALSE(w.watch.rf_present());
    CHECK(w.watch.since() == Instant{2s});  // between two words
    CHECK(w.step(4s, RfLook::absent) == EventKind::rf_off);
    CHECK_FALSE(w.watch.since());
}

TEST_CASE("transmission: a look that tells nothing changes nothing") {
    Watched w;
    CHECK_FALSE(w.step(1s, RfLook::unknown));
    CHECK_FALSE(w.watch.rf_present());
    w.step(2s, RfLook::present);
    CHECK_FALSE(w.step(60s, RfLook::unknown));
    CHECK(w.watch.rf_present());
    CHECK(w.watch.since() == Instant{2s});
}

TEST_CASE("transmission: its longest time is told once before its end") {
    Watched w;
    w.plan.supervision.longest_transmission = 600s;
    w.plan.supervision.transmission_warning = 60s;
    for (const Duration begin : {10s, 2000s}) {
        CHECK(w.step(begin, RfLook::present) == EventKind::rf_on);
        CHECK_FALSE(w.step(begin + 539'999ms, RfLook::present));
        CHECK(w.step(begin + 540s, RfLook::present) == EventKind::transmission_ending);
        CHECK(w.events.all()[0].source == source_of(w.plan, Builtin::longest_transmission));
        CHECK_FALSE(w.step(begin + 541s, RfLook::present));
        CHECK_FALSE(w.step(begin + 541'500ms, RfLook::absent));
        CHECK(w.step(begin + 542s, RfLook::absent) == EventKind::rf_off);
    }
}
