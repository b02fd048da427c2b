// The proof test under random readings and orders: whatever is injected, and whenever, the line is at permit only where
// the true readings alone would leave nothing but the local hold.
#include <doctest/doctest.h>

#include <random>

#include "../core/timeline.hpp"

using namespace timeline;

namespace {

struct Dice {
    std::mt19937_64 random;
    std::int64_t upto(std::int64_t most) { return std::uniform_int_distribution<std::int64_t>{0, most}(random); }
    bool one_in(std::int64_t n) { return upto(n - 1) == 0; }
};

// Readings that wander, mostly good, so that tests get far.
void wander(Bench& bench, Dice& dice) {
    if (dice.one_in(60)) bench.heatsink_c = dice.one_in(3) ? 72.0 : 40.0;
    if (dice.one_in(150)) bench.forward_w = dice.one_in(2) ? 5.0 : 0.0;
    if (dice.one_in(20)) bench.forward_w = 0.0;
    if (dice.one_in(400)) bench.reflected_w = dice.one_in(2) ? 5.0 : 0.0;
    if (dice.one_in(20)) bench.reflected_w = 0.0;
    if (dice.one_in(150)) bench.drive_w = dice.one_in(2) ? 0.2 : 0.0;
    if (dice.one_in(20)) bench.drive_w = 0.0;
    if (dice.one_in(200)) bench.supply_v = 20.0;
    if (dice.one_in(20)) bench.supply_v = 28.0;
    if (dice.one_in(200)) bench.lid_closed = 0.0;
    if (dice.one_in(10)) bench.lid_closed = 1.0;
    if (dice.one_in(200)) bench.faults[static_cast<std::size_t>(dice.upto(5))] = Fault::io_error;
    if (dice.one_in(20)) bench.faults.fill(Fault::none);
}

std::vector<Command> orders(Dice& dice) {
    std::vector<Command> all;
    if (!dice.one_in(12)) return all;
    do {
        constexpr CommandKind kinds[] = {CommandKind::hold,         CommandKind::hold,
                                         CommandKind::reset,        CommandKind::reset,
                                         CommandKind::prove,        CommandKind::prove_line,
                                         CommandKind::prove_limit,  CommandKind::prove_limit,
                                         CommandKind::prove_limit,  CommandKind::release,
                                         CommandKind::prove_passed, CommandKind::prove_end,
                                         CommandKind::commission,   CommandKind::end_commissioning};
        const std::int64_t last = dice.one_in(8) ? 13 : 8;
        all.push_back({.kind = kinds[dice.upto(last)],
                       .origin = dice.one_in(12) ? Origin::remote : Origin::local,
                       .id = 1,
                       .limit = static_cast<std::uint16_t>(dice.upto(7))});
    } while (dice.one_in(6));  // several in one step
    return all;
}

}  // namespace

TEST_CASE("an injected value never permits what the true readings would inhibit") {
    std::size_t pulses = 0, forced = 0;
    for (std::uint64_t seed = 1; seed <= 400; ++seed) {
        Dice dice{std::mt19937_64{seed}};
        Plan p = plan();
        p.supervision.commissioning = 2s;
        Bench tested{p};  // has the proof's orders
        Bench plain{p};   // has the same readings and all other orders, and no proof
        tested.step({{.kind = CommandKind::hold}});
        plain.step({{.kind = CommandKind::hold}});
        Instant pulse_began{};
        bool before = false;
        for (int i = 0; i < 3000; ++i) {
            wander(tested, dice);
            // Readings that are lost just while they are being made worse.
            if (tested.protection.snapshot().proof.injects && dice.one_in(15)) tested.faults.fill(Fault::io_error);
            plain.heatsink_c = tested.heatsink_c;
            plain.forward_w = tested.forward_w;
            plain.reflected_w = tested.reflected_w;
            plain.drive_w = tested.drive_w;
            plain.supply_v = tested.supply_v;
            plain.lid_closed = tested.lid_closed;
            plain.faults = tested.faults;
            const std::vector<Command> all = orders(dice);
            std::vector<Command> usual;
            for (const Command& c : all)
                if (c.kind < CommandKind::prove) usual.push_back(c);
            const ProofView earlier = tested.protection.snapshot().proof;
            tested.events.clear();
            const bool permit = tested.step(all);
            plain.step(usual);
            const Snapshot& with = tested.protection.snapshot();
            const Snapshot& without = plain.protection.snapshot();
            CAPTURE(seed);
            CAPTURE(i);
            // Only what is being made worse counts as the test's doing.
            for (const Event& e : tested.events)
                if (e.kind == EventKind::tripped && e.forced) REQUIRE((earlier.injects && e.source == earlier.limit));
            for (std::size_t limit = 0; limit < tested.the_plan.limits.size(); ++limit) {
                const auto bad = [](Condition c) { return c == Condition::bad || c == Condition::unknown; };
                // What is wrong without the test is wrong with it.
                if (bad(without.causes[limit].condition)) REQUIRE(bad(with.causes[limit].condition));
                if (permit) REQUIRE_FALSE(bad(without.causes[limit].condition));
                if (with.proof.injects && with.proof.limit == limit) ++forced;
            }
            if (permit && with.memory.held_locally) {
                ++pulses;
                REQUIRE(with.proof.phase >= ProofPhase::line);
                REQUIRE(tested.forward_w < tested.the_plan.rf.rf_present_w);
                REQUIRE(tested.reflected_w < tested.the_plan.rf.rf_present_w);
                REQUIRE(with.quantities[forward].measured());
                REQUIRE(with.quantities[reflected].measured());
                REQUIRE(with.quantities[drive].value < tested.the_plan.rf.drive_absent_w);
                REQUIRE_FALSE(with.memory.held_remotely);
                REQUIRE_FALSE(with.commissioning_until);
                if (!before) REQUIRE(earlier.phase >= ProofPhase::line);  // no order permits in its own step
                for (const Cause& cause : with.causes) REQUIRE_FALSE(cause.active);
                if (!before) pulse_began = tested.now;
                REQUIRE(tested.now - pulse_began <= Proof::longest_permit + 40ms);
            }
            before = permit;
            tested.events.clear();
            plain.events.clear();
        }
    }
    CHECK(pulses > 1500);  // the tests get far enough to mean something
    CHECK(forced > 600);
}
