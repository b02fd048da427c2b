// Is there RF? By every detector that would see it, on stations of three powers, at the edges of each level.
#include <doctest/doctest.h>

#include "core/timeline.hpp"

using namespace timeline;

namespace {

struct Station {
    double rated_w, minimum_w, present_w;
};
// Not the demonstration's alone. 50 dB of range below each detector's ceiling, some 3 dB above the rated power.
constexpr Station stations[] = {{5.0, 0.4, 0.02}, {120.0, 6.0, 1.0}, {1000.0, 60.0, 15.0}};

Plan station(const Station& s) {
    Plan p = plan();
    for (auto i : {forward, reflected, drive}) p.channels[i].power->coupling_db += 10.0 * std::log10(s.rated_w / 120.0);
    p.rf.rated_w = s.rated_w;
    p.rf.minimum_forward_w = s.minimum_w;
    p.rf.rf_present_w = s.present_w;
    p.rf.drive_absent_w *= s.rated_w / 120.0;
    p.limits[vswr_high].gate->level = s.minimum_w;
    p.limits[forward_high].trip = s.rated_w;
    p.limits[overdrive].trip *= s.rated_w / 120.0;
    p.limits[overdrive].clear *= s.rated_w / 120.0;
    p.limits.erase(p.limits.begin() + reflected_high);  // what is judged here must not need it
    return p;
}

constexpr double a_little = 1e-6;  // of the value: the reading's own rounding is below it

[[nodiscard]] bool exceeds(Bench& b) {
    return b.protection.snapshot().causes[source_of(b.the_plan, Builtin::reflected_exceeds_forward)].latched;
}

}  // namespace

TEST_CASE("RF absent: forward dead at its floor and reflected with power is no absence") {
    for (const Station& s : stations) {
        CAPTURE(s.rated_w);
        Bench b{station(s)};
        REQUIRE(b.start());
        b.reflected_w =
            s.rated_w * 0.8;  // full power on a good antenna, coupler cables swapped, forward's detector dead
        CHECK(b.until(false, 1s) >= 0s);
        CHECK(exceeds(b));
        CHECK(b.protection.snapshot().rf_present);
        b.step({{CommandKind::reset, Origin::local, 1}});
        CHECK(b.last(EventKind::refused) != nullptr);
    }
}

TEST_CASE("RF absent: the coupler's cables swapped on a good antenna trip at every power") {
    for (const Station& s : stations) {
        for (const double share : {1.0, 0.3, 0.05}) {
            CAPTURE(s.rated_w);
            CAPTURE(share);
            Bench b{station(s)};
            REQUIRE(b.start());
            b.reflected_w = s.rated_w * share;
            b.forward_w = b.reflected_w / 50.0;  // a return loss of 17 dB: VSWR 1.33
            CHECK(b.until(false, 1s) >= 0s);
            CHECK(exceeds(b));
        }
    }
}

TEST_CASE("RF absent: each detector's level, a hair on either side") {
    for (const Station& s : stations) {
        CAPTURE(s.rated_w);
        for (const bool by_reflected : {false, true}) {
            Bench b{station(s)};
            REQUIRE(b.start());
            double& power = by_reflected ? b.reflected_w : b.forward_w;
            power = s.present_w * (1.0 - a_little);
            CHECK(b.run(2s, true));
            CHECK_FALSE(b.protection.snapshot().rf_present);
            power = s.present_w * (1.0 + a_little);
            b.step();
            CHECK(b.protection.snapshot().rf_present);
            if (!by_reflected) continue;
            CHECK(b.until(false, 2s) >= 0s);
            CHECK(exceeds(b));
        }
    }
}

TEST_CASE("RF absent: an unknown detector is no absence, so nothing clears by it") {
    for (const std::uint16_t lost : {forward, reflected}) {
        CAPTURE(lost);
        Bench b;
        REQUIRE(b.start());
        b.key(60.0, 0.36);
        REQUIRE(b.until(false, 1s) >= 0s);
        b.unkey();
        b.faults[lost] = Fault::io_error;
        b.run(1s, false);
        b.step({{CommandKind::reset, Origin::local, 1}});
        CHECK(b.count(EventKind::reset) == 0);
        b.faults[lost] = Fault::none;
        b.run(1s, false);
        b.step({{CommandKind::reset, Origin::local, 2}});
        CHECK(b.count(EventKind::reset) == 1);
    }
}

TEST_CASE("RF absent: the proof test doesn't begin with reflected power, and ends by it") {
    for (const Station& s : stations) {
        CAPTURE(s.rated_w);
        Bench b{station(s)};
        REQUIRE(b.start());
        b.step({{CommandKind::hold, Origin::local, 1}});
        b.reflected_w = s.present_w * (1.0 + a_little);
        b.step();
        b.step({{CommandKind::prove, Origin::local, 2}});
        REQUIRE(b.last(EventKind::refused) != nullptr);
        CHECK(b.last(EventKind::refused)->why == ProofEnd::rf_present);
        b.reflected_w = s.present_w * (1.0 - a_little);
        b.run(60ms, false);
        b.step({{CommandKind::prove, Origin::local, 3}});
        b.step({{CommandKind::prove_line, Origin::local, 4}});
        CHECK(b.until(true, 1s) >= 0s);
        b.reflected_w = s.rated_w;
        CHECK_FALSE(b.step());
        CHECK(b.last(EventKind::proof_ended)->why == ProofEnd::rf_present);
    }
}

TEST_CASE("RF absent: RF while inhibited is seen by reflected, too") {
    Bench b;
    REQUIRE(b.start());
    b.step({{CommandKind::hold, Origin::local, 1}});
    b.run(1s, false);
    b.reflected_w = 1.0;
    b.run(100ms, false);
    CHECK(b.protection.snapshot().causes[source_of(b.the_plan, Builtin::rf_while_inhibited)].latched);
}

TEST_CASE("RF absent: the envelope of voice and keying is no reflected above forward") {
    // Two tones: the envelope's zeros come near a conversion now and then. A good antenna all the time.
    Bench b;
    for (int i = 0; i < 3000; ++i) {
        const auto envelope = [&](double of_scan) {
            const double c = std::cos(2.399963 * (i + of_scan));  // the golden angle: every phase comes
            return 100.0 * c * c;
        };
        b.drive_w = 1.0;
        b.forward_w = envelope(0.0);
        b.reflected_w = 0.04 * envelope(0.65);
        b.forward_again_w = envelope(0.0);
        b.step();
    }
    CHECK_FALSE(exceeds(b));
}
