#include "words/drive_text.hpp"

#include <doctest/doctest.h>

#include "sample_plan.hpp"

using namespace dekeyd;

namespace {

struct Sending {
    core::Plan plan = test::sample_plan();
    core::Snapshot snapshot;

    Sending() {
        plan.rf.one_db_forward_w = 100.0;
        plan.rf.minimum_forward_w = 1.0;
        plan.rf.emission.name = "8PSK";
        plan.rf.emission.back_off_db = 4.5;
        snapshot = core::Protection::blank(plan);
        snapshot.state = core::State::permitted;
        snapshot.rf_present = true;
        at(core::Derived::mean_forward) = test::good(25.0);
    }
    core::Reading& at(core::Derived derived) { return snapshot.quantities[plan.index(derived)]; }
    [[nodiscard]] std::string said() const { return formats::drive_text(plan, snapshot); }
};

}  // namespace

TEST_CASE("drive: one sentence with one number") {
    Sending s;
    // 25 W of 100 W are 6.02 dB below.
    CHECK(s.said() == "Drive right for linear 8PSK: 6.0 dB below the 1 dB point, 4.5 dB advised.");
    s.at(core::Derived::mean_forward) = test::good(48.98);  // 3.1 dB below; Rapp, p = 2: 1.50 dB of drive, by scipy
    CHECK(s.said() == "Drive 1.5 dB too high for linear 8PSK: 3.0 dB below the 1 dB point, 4.5 dB advised.");
    s.at(core::Derived::mean_forward) = test::good(200.0);  // saturation is 164 W: 2.16 dB above, p = 2
    CHECK(s.said().find("Drive at least ") == 0);
    CHECK(s.said().find("beyond the 1 dB point") != std::string::npos);
}

TEST_CASE("drive: measured compression is believed where the stated 1 dB point says better") {
    Sending s;
    s.at(core::Derived::compression) = test::good(1.7);
    CHECK(s.said().find("too high") != std::string::npos);
    CHECK(s.said().find("beyond the 1 dB point") != std::string::npos);
    s.at(core::Derived::compression) = test::good(0.05);  // the knee can't be seen yet
    CHECK(s.said().find("Drive right") == 0);
}

TEST_CASE("drive: it reassures of nothing that isn't known, and is silent without RF or need") {
    Sending s;
    s.plan.rf.one_db_forward_w.reset();
    CHECK(s.said().find("isn't known") != std::string::npos);
    s.plan.rf.one_db_forward_w = 100.0;
    s.snapshot.rf_present = false;
    CHECK(s.said().empty());
    s.snapshot.rf_present = true;
    s.snapshot.state = core::State::latched;
    CHECK(s.said().empty());
    s.snapshot.state = core::State::permitted;
    s.plan.rf.emission.back_off_db.reset();  // FM
    CHECK(s.said().empty());
}

TEST_CASE("drive: a voice is judged by its peaks") {
    Sending s;
    s.plan.rf.emission = {.name = "voice", .back_off_db = 0.0, .of_peak = true};
    CHECK(s.said().empty());                               // the mean says nothing of them
    s.at(core::Derived::peak_forward) = test::good(80.0);  // 0.97 dB below
    CHECK(s.said() == "Drive right for linear voice: its peaks are 1.0 dB below the 1 dB point, 0.0 dB advised.");
}
