#include "store/state_file.hpp"

#include <doctest/doctest.h>

#include "base/sealed.hpp"
#include "sample_plan.hpp"

using namespace dekeyd;
using formats::state_from_text;
using formats::StoredState;
using formats::to_text;

namespace {

StoredState eventful(const core::Plan& plan) {
    StoredState state;
    state.running = true;
    state.sequence = 41;
    state.memory.locked_out = true;
    state.memory.held_remotely = true;
    state.notes.remote = {.at_s = 1'764'338'520, .synchronised = true, .reason = "climber on the mast"};
    state.notes.lockout = {.at_s = 1'764'338'000};
    state.memory.trip_level = std::chrono::minutes{20};
    state.memory.unclean_level = std::chrono::nanoseconds{1};
    state.memory.latched.assign(core::source_count(plan), false);
    state.memory.latched[test::vswr_limit] = true;
    state.memory.latched[test::heatsink_sensor] = true;  // the same id as the limit's, another kind
    return state;
}

}  // namespace

TEST_CASE("what is written comes back") {
    const core::Plan plan = test::sample_plan();
    const StoredState state = eventful(plan);
    const StoredState back = state_from_text(plan, to_text(plan, state));
    CHECK(back.memory == state.memory);
    CHECK(back.running);
    CHECK(back.sequence == 41);
    CHECK(back.notes == state.notes);

    StoredState quiet;
    quiet.memory.latched.assign(core::source_count(plan), false);
    CHECK(state_from_text(plan, to_text(plan, quiet)).memory == quiet.memory);
    CHECK_FALSE(state_from_text(plan, to_text(plan, quiet)).running);
}

TEST_CASE("each field has a line of its own") {
    const core::Plan plan = test::sample_plan();
    for (bool core::Memory::*field : {&core::Memory::first_start, &core::Memory::unreadable, &core::Memory::locked_out,
                                      &core::Memory::held_locally, &core::Memory::held_remotely}) {
        StoredState state;
        state.memory.latched.assign(core::source_count(plan), false);
        state.memory.*field = true;
        CHECK(state_from_text(plan, to_text(plan, state)).memory == state.memory);
    }
}

// Written out and kept as it was, with its sum by Python's zlib: an upgrade must find its latches and holds again.
TEST_CASE("version 1 stays readable, and another version counts as damage") {
    const core::Plan plan = test::sample_plan();
    std::string text =
        "dekeyd-state 1\n"
        "running no\n"
        "first-start no\n"
        "unreadable no\n"
        "locked-out no\n"
        "held-locally yes\n"
        "held-remotely no\n"
        "trip-level-ns 5\n"
        "unclean-level-ns 0\n"
        "latched limit vswr\n";
    const StoredState state = state_from_text(plan, text + "crc32 417c57f8\n");
    CHECK_FALSE(state.memory.unreadable);
    CHECK_FALSE(state.running);
    CHECK(state.memory.held_locally);
    CHECK(state.memory.latched[test::vswr_limit]);
    CHECK(state.memory.trip_level == std::chrono::nanoseconds{5});

    text.replace(text.find('1'), 1, "2");
    CHECK(state_from_text(plan, text + "crc32 2aa543bf\n").memory.unreadable);  // version 2 has a sequence
}

TEST_CASE("a note that is damaged in any of its words makes the state unreadable") {
    const core::Plan plan = test::sample_plan();
    formats::StoredState state = formats::blank_state(plan);
    state.memory.held_locally = true;
    const std::string text = to_text(plan, state);
    CHECK(text.find("note ") == std::string::npos);  // nothing to note
    const std::string body = text.substr(0, text.rfind('\n', text.size() - 2) + 1);
    const auto with = [&](const std::string& note) {
        return state_from_text(plan, formats::sealed_text(body + "note local " + note + "\n"));
    };
    for (const char* const good : {"0 not-set operator why", "1 synchronised start why", "7 not-set operator "}) {
        CAPTURE(good);
        CHECK_FALSE(with(good).memory.unreadable);
    }
    CHECK(with("0 not-set operator why").notes.local == formats::Note{.reason = "why"});
    CHECK(with("7 not-set operator ").notes.local == formats::Note{.at_s = 7});
    state.notes.local = {.reason = "why"};
    CHECK(state_from_text(plan, to_text(plan, state)).notes.local == state.notes.local);
    for (const char* const damaged :
         {"x not-set operator why", "1x not-set operator why", "-1 not-set operator why", " not-set operator why",
          "99999999999999999999 not-set operator why", "1 set operator why", "1 not-set somebody why",
          "1 synchronised operator wh\ty", "1 not-set operator why "}) {
        CAPTURE(damaged);
        CHECK(with(damaged).memory.unreadable);
    }
}

TEST_CASE("a note is only of what stands, once each, and says nothing that a screen can't show") {
    const core::Plan plan = test::sample_plan();
    const std::string text = to_text(plan, eventful(plan));
    const std::string body = text.substr(0, text.find("crc32 "));
    CHECK(body.find("\nnote remote 1764338520 synchronised operator climber on the mast\n") != std::string::npos);
    const auto damaged = [&](const std::string& note) {
        return state_from_text(plan, formats::sealed_text(body + note)).memory.unreadable;
    };
    CHECK(damaged("note local 1 not-set operator nobody holds here\n"));
    CHECK(damaged("note remote 1 not-set operator twice\n"));
    CHECK(damaged("note elsewhere 1 not-set operator x\n"));
    StoredState state = eventful(plan);
    state.memory.held_locally = true;
    for (const bool at_start : {true, false}) {
        state.notes.local = {.at_s = 1, .at_start = at_start, .reason = "a\nb"};
        CHECK(state_from_text(plan, to_text(plan, state)).notes.local.reason == "a b");
        CHECK(state_from_text(plan, to_text(plan, state)).notes.local.at_start == at_start);
    }
    state.memory.held_locally = false;
    CHECK(state_from_text(plan, to_text(plan, state)).notes.local == formats::Note{});
}

TEST_CASE("cut at any byte it is unreadable") {
    const core::Plan plan = test::sample_plan();
    const std::string text = to_text(plan, eventful(plan));
    for (std::size_t length = 0; length < text.size(); ++length) {
        CAPTURE(length);
        const StoredState state = state_from_text(plan, std::string_view{text}.substr(0, length));
        CHECK(state.memory.unreadable);
        CHECK(state.running);  // no proof of a clean stop
    }
}

TEST_CASE("with any bit flipped, or any byte added, it is unreadable") {
    const core::Plan plan = test::sample_plan();
    const std::string text = to_text(plan, eventful(plan));
    for (std::size_t place = 0; place < text.size(); ++place) {
        for (int bit = 0; bit < 8; ++bit) {
            std::string damaged = text;
            damaged[place] = static_cast<char>(damaged[place] ^ (1 << bit));
            CAPTURE(place);
            CHECK(state_from_text(plan, damaged).memory.unreadable);
        }
    }
    CHECK(state_from_text(plan, text + "\n").memory.unreadable);
    CHECK(state_from_text(plan, text + text).memory.unreadable);
    CHECK(state_from_text(plan, std::string(4096, '\0')).memory.unreadable);
}

TEST_CASE("a latch whose source the plan no longer has makes all of it latched") {
    const core::Plan before = test::sample_plan();
    core::Plan after = before;
    after.limits.pop_back();  // vswr, which is latched
    const StoredState state = state_from_text(after, to_text(before, eventful(before)));
    CHECK(state.memory.unreadable);
    CHECK(state.memory.locked_out);  // the rest is still believed
    REQUIRE(state.memory.latched.size() == core::source_count(after));
    CHECK(state.memory.latched[1]);  // the heatsink's sensor, found again at its new index

    StoredState quiet;
    quiet.memory.latched.assign(core::source_count(before), false);
    CHECK_FALSE(state_from_text(after, to_text(before, quiet)).memory.unreadable);
}

// With a sum that is right: a writer's fault, or a version that nobody counted up.
TEST_CASE("a text that is whole, with a line that doesn't belong there, is unreadable") {
    const core::Plan plan = test::sample_plan();
    const std::string good =
        "dekeyd-state 2\nsequence 3\nrunning no\nfirst-start no\nunreadable no\nlocked-out no\nheld-locally no\n"
        "held-remotely no\ntrip-level-ns 5\nunclean-level-ns 0\nlatched limit vswr\n";
    const auto with = [&](std::string_view was, std::string_view is) {
        std::string text = good;
        text.replace(text.find(was), was.size(), is);
        return state_from_text(plan, formats::sealed_text(text));
    };
    REQUIRE_FALSE(with("", "").memory.unreadable);
    REQUIRE(with("", "").memory.latched[test::vswr_limit]);
    struct Change {
        std::string_view was, is;
    };
    for (const Change& change : {
             Change{"running no", "running maybe"},
             Change{"running no", "running"},
             Change{"running no", "running:no"},
             Change{"running no", "walking no"},
             Change{"running no\n", ""},
             Change{"trip-level-ns 5", "trip-level-ns -1"},
             Change{"trip-level-ns 5", "trip-level-ns 5x"},
             Change{"trip-level-ns 5", "trip-level-ns "},
             Change{"trip-level-ns 5", "trip-level-ns 99999999999999999999"},
             Change{"latched limit vswr", "lost limit vswr"},
             Change{"latched limit vswr\n", "latched limit vswr"},
             Change{"latched limit vswr\n", "latched limit vswr\n\n"},
         }) {
        CAPTURE(change.was);
        CAPTURE(change.is);
        const StoredState state = with(change.was, change.is);
        CHECK(state.memory.unreadable);
        CHECK(state.running);
        CHECK_FALSE(state.memory.latched[test::vswr_limit]);  // it is not believed in part
    }
    // The name that stands for "no such source" is none: the rest is believed.
    for (const char* source : {"builtin none", "limit", "", "limit  vswr"}) {
        CAPTURE(source);
        const StoredState state = with("limit vswr", source);
        CHECK(state.memory.unreadable);
        CHECK_FALSE(state.running);
        CHECK(state.memory.trip_level == std::chrono::nanoseconds{5});
        CHECK(state.memory.latched == formats::blank_state(plan).memory.latched);
    }
}
