#include "control/pending_answers.hpp"

#include <doctest/doctest.h>

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

using core::CommandKind;
using core::EventKind;
using core::Origin;

constexpr core::Instant asked{100s};

core::Command command(CommandKind kind, std::uint32_t id = 7, Origin origin = Origin::local) {
    return {.kind = kind, .origin = origin, .id = id, .limit = 0, .arrived = asked};
}

core::Event event(EventKind kind, std::uint32_t id = 7, Origin origin = Origin::local) {
    core::Event e{.at = asked + 10ms, .kind = kind};
    e.origin = origin;
    e.command_id = id;
    return e;
}

bool has(const std::string& line, std::string_view words) {
    return line.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("pending answers: an event answers the command of its own origin and number, once") {
    PendingAnswers pending{nullptr};
    pending.await(4, command(CommandKind::hold));
    CHECK_FALSE(pending.answered(event(EventKind::held, 8), "", asked));
    CHECK_FALSE(pending.answered(event(EventKind::held, 7, Origin::remote), "", asked));
    CHECK_FALSE(pending.answered(event(EventKind::held, 7, Origin::none), "", asked));
    CHECK(pending.waits(4));
    CHECK_FALSE(pending.waits(5));
    const auto answer = pending.answered(event(EventKind::held), "Held locally.", asked);
    REQUIRE(answer);
    CHECK(answer->descriptor == 4);
    CHECK(has(answer->line, "Held locally."));
    CHECK(pending.empty());
    CHECK_FALSE(pending.answered(event(EventKind::held), "Held locally.", asked));
}

TEST_CASE("pending answers: what must outlive a power cut is told when it is durable, to the moment") {
    for (const EventKind kind : {EventKind::held, EventKind::released, EventKind::reset}) {
        StorageState saved;
        PendingAnswers pending{&saved};
        pending.await(4, command(CommandKind::hold));
        saved.saved_through.store(asked + 10ms - 1ns);
        CHECK_FALSE(pending.answered(event(kind), "Done.", asked + 20ms));
        CHECK(pending.due(asked + 20ms).empty());
        saved.saved_through.store(asked + 10ms);
        const auto told = pending.due(asked + 20ms);
        REQUIRE(told.size() == 1);
        CHECK(told[0].descriptor == 4);
        CHECK(has(told[0].line, "Done."));
        CHECK_FALSE(has(told[0].line, "\"error\""));
        CHECK(pending.empty());
    }
}

TEST_CASE("pending answers: a storage that takes nothing gets two seconds more, and the answer says that it has not") {
    StorageState saved;
    PendingAnswers pending{&saved};
    pending.await(4, command(CommandKind::hold));
    CHECK_FALSE(pending.answered(event(EventKind::held), "Held locally.", asked + 1s));
    CHECK(pending.due(asked + 3s - 1ns).empty());
    const auto late = pending.due(asked + 3s);
    REQUIRE(late.size() == 1);
    const auto durable = [] {
        StorageState all_saved;
        all_saved.saved_through.store(core::Instant::max());
        PendingAnswers other{&all_saved};
        other.await(4, command(CommandKind::hold));
        return other.answered(event(EventKind::held), "Held locally.", asked)->line;
    }();
    CHECK(late[0].line != durable);
    CHECK(pending.empty());
}

TEST_CASE("pending answers: a refusal has nothing to save") {
    StorageState saved;
    PendingAnswers pending{&saved};
    pending.await(4, command(CommandKind::release));
    CHECK(pending.answered(event(EventKind::refused), "Refused.", asked));
}

TEST_CASE("pending answers: a guard that doesn't answer is said after two seconds, of a forced limit after seventy") {
    PendingAnswers pending{nullptr};
    pending.await(4, command(CommandKind::reset, 1));
    pending.await(5, command(CommandKind::prove_limit, 2));
    pending.await(6, command(CommandKind::prove_line, 3));
    CHECK(pending.due(asked + 2s - 1ns).empty());
    const auto late = pending.due(asked + 2s);
    REQUIRE(late.size() == 1);
    CHECK(late[0].descriptor == 4);
    CHECK(has(late[0].line, "didn't answer in time"));
    CHECK(pending.due(asked + 70s - 1ns).empty());
    CHECK(pending.due(asked + 70s).size() == 2);
}

TEST_CASE("pending answers: a client that goes waits for nothing") {
    PendingAnswers pending{nullptr};
    pending.await(4, command(CommandKind::hold, 1));
    pending.await(4, command(CommandKind::reset, 2));
    pending.await(5, command(CommandKind::reset, 3));
    pending.forget(4);
    CHECK_FALSE(pending.waits(4));
    CHECK(pending.waits(5));
    CHECK_FALSE(pending.answered(event(EventKind::held, 1), "", asked));
}
