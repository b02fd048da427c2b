// daemon/core/protection_state.cpp: a core that goes on from another's state decides as the other does, bit for bit.
#include <doctest/doctest.h>

#include "amplifier.hpp"

using namespace recorded;

namespace {

void story(Amplifier& amplifier, unsigned part) {
    switch (part % 8) {
        case 1:
            amplifier.forward_w = 100.0;
            amplifier.reflected_w = 0.5;
            break;
        case 2: amplifier.heatsink_c += 6.0; break;
        case 3: amplifier.reflected_w = 15.0; break;
        case 4: amplifier.forward_w = amplifier.reflected_w = 0.0; break;
        case 5: amplifier.commands.push_back({core::CommandKind::reset, core::Origin::local, part}); break;
        case 6: amplifier.lost_wire = !amplifier.lost_wire; break;
        case 7:
            amplifier.commands.push_back(
                {part % 16 == 7 ? core::CommandKind::hold : core::CommandKind::release, core::Origin::remote, part});
            break;
        default: break;
    }
}

}  // namespace

TEST_CASE("a core that takes another's state up at any time goes on as that one does") {
    for (unsigned start = 0; start < 24; ++start) {
        CAPTURE(start);
        Amplifier amplifier;
        for (unsigned part = 0; part < start; ++part) {
            story(amplifier, part);
            amplifier.run(3100ms + start * 20ms, [](const auto&) {});
        }
        const std::string state = amplifier.guard.state();
        core::Protection other{amplifier.config.plan, {}, true};
        REQUIRE(other.take_state(state));
        CHECK(other.state() == state);
        std::vector<core::Scan> room;
        for (unsigned part = start; part < start + 6; ++part) {
            story(amplifier, part);
            amplifier.run(2500ms, [&](const formats::RecordedStep& step) {
                const core::Decision decision = other.step(step.input(room));
                REQUIRE(decision.permit == step.permit);
                REQUIRE(other.events().size() == amplifier.guard.events().size());
                for (std::size_t i = 0; i < other.events().size(); ++i) {
                    REQUIRE(other.events()[i].number == amplifier.guard.events()[i].number);
                    REQUIRE(other.events()[i].kind == amplifier.guard.events()[i].kind);
                }
                REQUIRE(other.snapshot().sequence == amplifier.guard.snapshot().sequence);
            });
            REQUIRE(other.state() == amplifier.guard.state());
        }
    }
}

TEST_CASE("a damaged state is refused") {
    Amplifier amplifier;
    amplifier.run(6s, [](const auto&) {});
    const std::string state = amplifier.guard.state();
    const auto refused = [&](const std::string& text) {
        core::Protection other{amplifier.config.plan, {}, false};
        return !other.take_state(text);
    };
    CHECK(refused(""));
    CHECK(refused(state.substr(0, state.size() - 1)));
    CHECK(refused(state + "nonsense 1\n"));
    CHECK(refused(state.substr(state.find('\n') + 1)));  // without its first line
    std::string word = state;
    word.replace(word.find("channel:heatsink ") + 17, 1, "x");
    CHECK(refused(word));
}

TEST_CASE("under another plan: a limit that the state doesn't know rests or trips by the state's readings") {
    Amplifier amplifier;
    amplifier.run(6s, [](const auto&) {});
    REQUIRE(amplifier.guard.snapshot().permit);
    const std::string more = spoiled("  vswr:\n",
                                     "  supply-high: {watch: supply, above: 27 V, clear: 26 V, qualify: 0 ms, "
                                     "hold_off: 1 s, rearm: automatic}\n"
                                     "  supply-low: {watch: supply, below: 20 V, clear: 21 V, qualify: 0 ms, "
                                     "hold_off: 1 s, rearm: automatic}\n  vswr:\n");
    const formats::Configuration other_config = configuration(accepting(more, ""));
    core::Protection other{other_config.plan, {}, false};
    REQUIRE(other.take_state(amplifier.guard.state()));
    std::vector<core::Scan> room;
    std::string tripped;
    amplifier.run(200ms, [&](const formats::RecordedStep& step) {
        other.step(step.input(room));
        for (const core::Event& event : other.events()) {
            if (event.kind == core::EventKind::tripped) {
                tripped.append(core::describe_source(other_config.plan, event.source).id).append(" ");
            }
        }
    });
    CHECK(tripped.starts_with("supply-high "));
    CHECK(tripped.find("supply-low") == std::string::npos);
}

// Not a proof, but a reminder: who adds a member adds it to fields(), unless no later decision depends on it, and then
// mends the size here.
TEST_CASE("every class that has state has the members that its fields() was written for") {
    if (sizeof(void*) != 8) return;  // sizes of 64-bit machines with libstdc++
    CHECK(sizeof(core::ChannelReader) == 160);
    CHECK(sizeof(core::QualifyTimer) == 32);
    CHECK(sizeof(core::ThermalFit) == 656);
    CHECK(sizeof(core::ThermalAverage) == 16);
    CHECK(sizeof(core::Forecaster) == 1104);
    CHECK(sizeof(core::Supervision) == 384);
    CHECK(sizeof(core::BracketAverage) == 104);
    CHECK(sizeof(core::PowerWindow) == 120);
    CHECK(sizeof(core::Interlock) == 224);
    CHECK(sizeof(core::EventList) == 40);
    CHECK(sizeof(core::Limits) == 248);
    CHECK(sizeof(core::TransmissionWatch) == 48);
    // With what is worked out when somebody looks, which it is before the state is written.
    CHECK(sizeof(core::Protection) == 3928);
    CHECK(sizeof(core::Reading) == 40);
    CHECK(sizeof(core::Cause) == 24);
    CHECK(sizeof(core::ChannelCount) == 40);
}
