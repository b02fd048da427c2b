#include "words/signal_text.hpp"

#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using formats::ReceivedMeasure;
using formats::ReceivedState;

namespace {

/// Transmitting, with compression measured: 0.4 dB.
struct Signal {
    core::Plan plan = test::sample_plan();
    core::Snapshot snapshot = core::Protection::blank(plan);
    formats::SignalReport report{.guard_answers = true, .measures = {}};

    Signal() {
        snapshot.state = core::State::permitted;
        snapshot.rf_present = true;
        snapshot.transmitting_since = core::Instant{100s};
        snapshot.quantities[plan.index(core::Derived::compression)] = test::good(0.4);
    }
    void received(std::size_t measure, ReceivedState state, std::optional<double> db = {}, bool warns = false) {
        report.measures.at(measure) = ReceivedMeasure{.topic = measure == 0 ? "receiver/shoulders" : "receiver/mer",
                                                      .warn_below_db = measure == 0 ? 40.0 : 20.0,
                                                      .allowed_age = 30s,
                                                      .state = state,
                                                      .value_db = db,
                                                      .age_at_most = 5s,
                                                      .warns = warns};
    }
    [[nodiscard]] std::string said() const { return formats::signal_text(plan, snapshot, report); }
    [[nodiscard]] bool says(std::string_view words) const { return said().find(words) != std::string::npos; }
};

}  // namespace

TEST_CASE("signal: both measured, both right") {
    Signal s;
    s.received(0, ReceivedState::good, 42.34);
    s.received(1, ReceivedState::good, 28.0);
    CHECK(s.said() ==
          "Clean by both measurements. Shoulder attenuation 42.0 dB, not below 40 dB: received from receiver/shoulders "
          "at "
          "most 5 s ago. Modulation error ratio 28.0 dB, not below 20 dB: received from receiver/mer at most 5 s ago. "
          "Compression some 0.5 dB: of the amplifier alone, which says nothing of the exciter.");
}

TEST_CASE("signal: one below is enough for not clean, whatever the other says") {
    Signal s;
    s.received(0, ReceivedState::good, 39.99, true);
    s.received(1, ReceivedState::good, 28.0);
    CHECK(s.said().find("Not clean. Shoulder attenuation 39.5 dB, below 40 dB: received from") == 0);
    s.received(0, ReceivedState::good, 40.7, true);
    CHECK(s.says("Shoulder attenuation 40.5 dB, was below 40 dB and isn't 1 dB above it yet: received"));
    s.report.measures[1].reset();
    CHECK(s.said().find("Not clean. ") == 0);
    CHECK(s.says("Modulation error ratio isn't measured."));
}

TEST_CASE("signal: rounding never contradicts the level") {
    Signal s;
    s.received(0, ReceivedState::good, 40.4);
    s.report.measures[0]->warn_below_db = 40.3;
    CHECK(s.says("Shoulder attenuation 40.3 dB, not below 40.3 dB"));
    s.received(0, ReceivedState::good, -2.2, true);
    CHECK(s.says("Shoulder attenuation -2.5 dB, below 40 dB"));
}

TEST_CASE("signal: it reassures of nothing that isn't measured") {
    Signal s;
    CHECK(
        s.said() ==
        "Not known by measurement. Neither shoulder attenuation nor modulation error ratio is measured: no receiver is "
        "configured ('signal:'). Compression some 0.5 dB: of the amplifier alone, which says nothing of the exciter.");
    s.received(0, ReceivedState::good, 50.0);
    CHECK(s.said().find("Known in part. Shoulder attenuation 50.0 dB") == 0);
    CHECK(s.says("Modulation error ratio isn't measured."));
    s.received(1, ReceivedState::awaited);
    CHECK(s.said().find("Known in part. ") == 0);
    CHECK(s.says("Modulation error ratio: nothing has come from receiver/mer yet."));
    const auto only = [&](ReceivedState state, std::optional<double> db = {}) {
        s.received(0, state, db);
        s.received(1, state, db);
        CHECK(s.said().find("Not known by measurement. ") == 0);
        return s.said().substr(25, s.said().find(". ", 25) - 24);
    };
    CHECK(only(ReceivedState::stale) ==
          " Shoulder attenuation: nothing has come from receiver/shoulders for more than 30 s.");
    CHECK(only(ReceivedState::unreadable) ==
          " Shoulder attenuation: what receiver/shoulders says is no plain number in dB.");
    CHECK(only(ReceivedState::not_of_this, 50.0) ==
          " Shoulder attenuation: nothing of this transmission has come from receiver/shoulders yet.");
    CHECK(only(ReceivedState::of_unknown_age, 50.0)
              .find(" Shoulder attenuation: 50.0 dB of unknown age at receiver/shoulders") == 0);
}

TEST_CASE("signal: while nothing is sent, or that isn't known, no number says anything") {
    Signal s;
    s.received(0, ReceivedState::not_of_this, 50.0);
    s.snapshot.transmitting_since.reset();
    CHECK(s.said() == "Not transmitting: a number that is received says nothing of this amplifier now.");
    s.snapshot.transmitting_since = core::Instant{100s};
    s.report.guard_answers = false;
    CHECK(s.said().find("Not known: the guard doesn't answer") == 0);
    s.report.guard_answers = true;
    s.plan.roles.forward.reset();
    CHECK(s.said().find("Not known: no forward power is measured") == 0);
}

TEST_CASE("signal: back-off says more than compression, where what is sent asks for it") {
    Signal s;
    s.plan.rf.one_db_forward_w = 100.0;
    s.plan.rf.minimum_forward_w = 1.0;
    s.plan.rf.emission.name = "8PSK";
    s.plan.rf.emission.back_off_db = 4.5;
    s.snapshot.quantities[s.plan.index(core::Derived::compression)] = test::good(0.05);
    s.snapshot.quantities[s.plan.index(core::Derived::mean_forward)] = test::good(25.0);
    CHECK(s.says(" The drive is right for linear 8PSK: of the amplifier alone, which says nothing of the exciter."));
    s.snapshot.quantities[s.plan.index(core::Derived::mean_forward)] = test::good(90.0);
    CHECK(s.says(" The drive is too high for linear 8PSK: expect distortion."));
    s.plan.rf.emission.back_off_db.reset();
    s.snapshot.quantities[s.plan.index(core::Derived::compression)] = {};
    CHECK(s.says(" Neither compression nor back-off is known."));
}
