#include "guard/line_keeper.hpp"

#include <doctest/doctest.h>

#include <chrono>
#include <utility>

#include "app/fake_line.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using test::FakeLine;
using test::Pad;

namespace {

core::Instant at(core::Duration since_boot) {
    return core::Instant{since_boot};
}

struct Keeper {
    std::shared_ptr<Pad> pad = std::make_shared<Pad>();
    LineKeeper keeper{std::make_unique<FakeLine>(pad)};
};

}  // namespace

TEST_CASE("the first word to a line is written whatever it is, later ones only where they change something") {
    Keeper k;
    CHECK(k.keeper.put(false, at(1s)));
    CHECK(k.keeper.put(false, at(2s)));
    CHECK(k.pad->writes == std::vector<bool>{false});
    CHECK(k.keeper.put(true, at(3s)));
    CHECK(k.keeper.put(true, at(4s)));
    CHECK(k.pad->writes == std::vector<bool>{false, true});
    CHECK(k.keeper.permits());
    CHECK(k.keeper.state().known);
    CHECK(k.keeper.state().permit);
}

TEST_CASE("the pad is read after each write and once a second") {
    Keeper k;
    k.keeper.put(true, at(10s));
    k.pad->stuck_at = false;
    k.keeper.look(at(10s + 999ms));
    CHECK(k.keeper.state().permit);
    k.keeper.look(at(11s));
    CHECK_FALSE(k.keeper.state().permit);
    CHECK(k.keeper.next_look() == at(12s));
    k.pad->unreadable = true;
    k.keeper.look(at(12s));
    CHECK_FALSE(k.keeper.state().known);
}

TEST_CASE("a refused permit is followed by inhibit, and isn't taken for written") {
    Keeper k;
    k.pad->refuses_permit = true;
    CHECK_FALSE(k.keeper.put(true, at(1s)));
    CHECK(k.pad->writes == std::vector<bool>{true, false});
    CHECK_FALSE(k.keeper.permits());
    CHECK_FALSE(k.pad->permit);
}

TEST_CASE("a refused inhibit is tried again each time") {
    Keeper k;
    k.keeper.put(true, at(1s));
    k.pad->refuses_inhibit = true;
    CHECK_FALSE(k.keeper.put(false, at(2s)));
    CHECK_FALSE(k.keeper.put(false, at(3s)));
    CHECK(k.keeper.state().permit);  // the truth, for whoever decides
    k.pad->refuses_inhibit = false;
    CHECK(k.keeper.put(false, at(4s)));
    CHECK_FALSE(k.pad->permit);
    CHECK(k.pad->writes == std::vector<bool>{true, false, false, false});
}

TEST_CASE("a forced inhibit is written even where it stands, and believed only when the pad agrees") {
    Keeper k;
    k.keeper.put(false, at(1s));
    CHECK(k.keeper.force_inhibit(at(2s)));
    CHECK(k.pad->writes == std::vector<bool>{false, false});
    k.pad->stuck_at = true;
    CHECK_FALSE(k.keeper.force_inhibit(at(3s)));
    k.pad->stuck_at.reset();
    k.pad->unreadable = true;
    CHECK(k.keeper.force_inhibit(at(4s)));  // can't be told
    k.pad->refuses_inhibit = true;
    CHECK_FALSE(k.keeper.force_inhibit(at(5s)));
}

TEST_CASE("an inhibit that the pad doesn't show is asked for until it does; a permit is not") {
    Keeper k;
    k.keeper.put(true, at(1s));
    k.pad->stuck_at = true;
    CHECK(k.keeper.put(false, at(2s)));
    CHECK(k.keeper.state().permit);
    CHECK(k.keeper.put(false, at(2s + 10ms)));
    CHECK(k.pad->writes == std::vector<bool>{true, false, false});
    k.pad->stuck_at.reset();
    CHECK(k.keeper.put(false, at(2s + 20ms)));
    CHECK(k.keeper.put(false, at(2s + 30ms)));
    CHECK(k.pad->writes == std::vector<bool>{true, false, false, false});
    k.keeper.put(true, at(3s));
    k.pad->stuck_at = false;
    k.keeper.look(at(4s));
    CHECK(k.keeper.put(true, at(4s)));
    CHECK(k.pad->writes == std::vector<bool>{true, false, false, false, true});
}

TEST_CASE("a pad that follows late by microseconds is read again before a mismatch is told; a stuck one is told") {
    Keeper k;
    k.pad->late = 2;
    CHECK(k.keeper.put(true, at(1s)));
    CHECK(k.keeper.state().permit);
    k.pad->late = 2;
    CHECK(k.keeper.put(false, at(2s)));
    CHECK_FALSE(k.keeper.state().permit);
    k.pad->stuck_at = false;
    k.keeper.put(true, at(3s));
    CHECK_FALSE(k.keeper.state().permit);
}

TEST_CASE("a pad is looked at once, and four times more while it says other than what was written") {
    const auto reads = [](bool permit, auto change) {
        Keeper k;
        k.keeper.put(!permit, at(1s));
        k.pad->reads = 0;
        change(*k.pad);
        const auto begun = std::chrono::steady_clock::now();
        k.keeper.put(permit, at(2s));
        if (k.pad->reads == 5) CHECK(std::chrono::steady_clock::now() - begun >= 200us);
        return std::pair{k.pad->reads, k.keeper.state().known && k.keeper.state().permit == permit};
    };
    for (const bool permit : {true, false}) {
        CAPTURE(permit);
        CHECK(reads(permit, [](Pad&) {}) == std::pair{1, true});
        CHECK(reads(permit, [](Pad& pad) { pad.late = 1; }) == std::pair{2, true});
        CHECK(reads(permit, [](Pad& pad) { pad.late = 4; }) == std::pair{5, true});
        CHECK(reads(permit, [](Pad& pad) { pad.late = 5; }) == std::pair{5, false});
        CHECK(reads(permit, [=](Pad& pad) { pad.stuck_at = !permit; }) == std::pair{5, false});
        CHECK(reads(permit, [](Pad& pad) { pad.unreadable = true; }) == std::pair{1, false});
    }
    // After a refused permit the pad is to be at inhibit.
    CHECK(reads(true, [](Pad& pad) { pad.refuses_permit = true; }) == std::pair{1, false});
}

TEST_CASE("refusing to inhibit: by the last write that asked for it, and until one is taken") {
    Keeper k;
    CHECK_FALSE(k.keeper.refuses_inhibit());
    k.pad->refuses_permit = true;
    CHECK_FALSE(k.keeper.put(true, at(1s)));
    CHECK_FALSE(k.keeper.refuses_inhibit());  // the inhibit after it was taken
    k.pad->refuses_inhibit = true;
    CHECK_FALSE(k.keeper.put(true, at(2s)));
    CHECK(k.keeper.refuses_inhibit());
    CHECK_FALSE(k.keeper.put(false, at(3s)));
    CHECK(k.keeper.refuses_inhibit());
    k.pad->refuses_inhibit = false;
    CHECK(k.keeper.put(false, at(4s)));
    CHECK_FALSE(k.keeper.refuses_inhibit());
    k.pad->refuses_inhibit = true;
    CHECK_FALSE(k.keeper.force_inhibit(at(5s)));
    CHECK(k.keeper.refuses_inhibit());
    CHECK_FALSE(k.keeper.permits());
    k.pad->refuses_inhibit = false;
    CHECK(k.keeper.put(false, at(6s)));  // not known to stand: written again
    CHECK_FALSE(k.keeper.refuses_inhibit());
    CHECK(k.keeper.force_inhibit(at(7s)));
    CHECK_FALSE(k.keeper.refuses_inhibit());
    k.pad->writes.clear();
    CHECK(k.keeper.put(false, at(8s)));
    CHECK(k.pad->writes.empty());
    k.pad->refuses_permit = false;
    CHECK(k.keeper.put(true, at(9s)));
    CHECK(k.keeper.permits());
}

TEST_CASE("what can't be read is not known, whatever was read before") {
    Keeper k;
    k.keeper.put(true, at(1s));
    k.pad->unreadable = true;
    k.keeper.look(at(2s));
    CHECK_FALSE(k.keeper.state().known);
    CHECK_FALSE(k.keeper.state().permit);
    CHECK(k.keeper.next_look() == at(3s));
    k.pad->unreadable = false;
    k.keeper.force_inhibit(at(2500ms));
    CHECK(k.keeper.state().known);
    CHECK_FALSE(k.keeper.state().permit);
    CHECK(k.keeper.next_look() == at(3500ms));
}
