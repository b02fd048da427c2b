#include "dekeyctl/follow/order.hpp"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "dekeyctl/follow/presence.hpp"

using namespace dekeyd::ctl;
using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

const EventOrder::Time start{1000s};

std::string wall() {
    return "2026-03-01T12:00:00.000Z";
}

formats::FeedEntry entry(std::uint64_t number, std::uint64_t since_start, const std::string& kind = "held") {
    return {number, fmt::format(R"({{"epoch":"e1","number":{},"since_start":{},"at_s":{}.5,"kind":"{}",)"
                                R"("severity":"warning","wall":"w","text":"number {}"}})",
                                number, since_start, since_start, kind, number)};
}

FollowedEvent live(std::uint64_t since_start) {
    return *live_event(fmt::format(R"({{"event":{{"number":{},"at_s":{}.5,"kind":"held","severity":"warning",)"
                                   R"("text":"live {}"}}}})",
                                   since_start, since_start, since_start));
}

/// An order, and the guard that it asks.
struct Bench {
    EventOrder order;
    EventOrder::Time now = start;
    std::string epoch = "e1";
    std::vector<formats::FeedEntry> journal;
    std::uint64_t durable = 0;

    explicit Bench(FollowStart from) : order{std::move(from), &wall} { order.set_connected(true, now); }
    void store(std::uint64_t number, std::uint64_t since_start, const std::string& kind = "held") {
        journal.push_back(entry(number, since_start, kind));
        durable = number;
    }
    void answer() {
        for (int i = 0; i < 10; ++i) {
            const auto after = order.ask(now);
            if (!after) return;
            formats::FeedEvents batch{.epoch = epoch, .after = *after, .durable = durable};
            for (const auto& one : journal) {
                if (one.number > *after && one.number <= durable) batch.entries.push_back(one);
            }
            order.take_batch(batch, now);
        }
    }
    void pass(std::chrono::milliseconds length) {
        for (auto left = length; left > 0ms; left -= 100ms) {
            now += 100ms;
            answer();
        }
    }
    std::vector<std::string> texts() {
        std::vector<std::string> all;
        while (const auto event = order.next(now)) {
            if (!event->told) all.push_back(event->text);
        }
        return all;
    }
};

using Texts = std::vector<std::string>;

}  // namespace

TEST_CASE("follow: what the journal has comes once and in order, from the place on") {
    Bench bench{{.place = Place{"e1", 2}}};
    for (std::uint64_t i = 1; i <= 5; ++i) bench.store(i, i);
    bench.pass(2s);
    CHECK(bench.texts() == Texts{"number 3", "number 4", "number 5"});
    bench.store(6, 6);
    bench.pass(2s);
    CHECK(bench.texts() == Texts{"number 6"});
}

TEST_CASE("follow: without a place it begins with what comes, and says where that was") {
    Bench bench{{}};
    bench.store(1, 1);
    bench.store(2, 2);
    bench.pass(1s);
    CHECK(bench.texts().empty());
    const auto beginning = bench.order.take_beginning();
    REQUIRE(beginning);
    CHECK(*beginning == Place{"e1", 2});
    CHECK_FALSE(bench.order.take_beginning());
    bench.store(3, 3);
    bench.pass(2s);
    CHECK(bench.texts() == Texts{"number 3"});
}

TEST_CASE("follow: --from begins with that number") {
    Bench bench{{.from = 2}};
    for (std::uint64_t i = 1; i <= 3; ++i) bench.store(i, i);
    bench.pass(1s);
    CHECK(bench.texts() == Texts{"number 2", "number 3"});
}

TEST_CASE("follow: an event that is live and stored comes once, whichever is first") {
    Bench bench{{.from = 1}};
    bench.pass(1s);
    bench.order.take_live(live(1), bench.now);
    CHECK(bench.texts().empty());  // the storage has its time
    bench.store(1, 1);
    bench.pass(1s);
    CHECK(bench.texts() == Texts{"number 1"});
    bench.store(2, 2);
    bench.pass(2s);
    bench.order.take_live(live(2), bench.now);  // its stored twin was here before
    bench.pass(5s);
    CHECK(bench.texts() == Texts{"number 2"});
}

TEST_CASE("follow: an event that the storage doesn't take comes after its grace, and not again when it does") {
    Bench bench{{.from = 1}};
    bench.pass(1s);
    bench.order.take_live(live(1), bench.now);
    bench.pass(1900ms);
    CHECK(bench.texts().empty());
    bench.pass(200ms);
    CHECK(bench.texts() == Texts{"live 1"});
    bench.store(1, 1);
    bench.store(2, 2);
    bench.pass(2s);
    CHECK(bench.texts() == Texts{"number 2"});
}

TEST_CASE("follow: a journal that was never opened keeps no event back") {
    Bench bench{{}};
    bench.epoch.clear();
    bench.pass(1s);
    bench.order.take_live(live(1), bench.now);
    bench.order.take_live(live(2), bench.now);
    bench.pass(4s);
    CHECK(bench.texts() == Texts{"live 1", "live 2"});
}

TEST_CASE("follow: a journal that doesn't answer keeps an event back for 10 s and no longer") {
    Bench bench{{.from = 1}};
    bench.pass(1s);
    bench.now += 1s;
    REQUIRE(bench.order.ask(bench.now));  // never answered
    bench.order.take_live(live(1), bench.now);
    bench.now += 9900ms;
    CHECK(bench.texts().empty());
    bench.now += 200ms;
    CHECK(bench.texts() == Texts{"live 1"});
}

TEST_CASE("follow: an event just before the guard went comes all the same") {
    Bench bench{{.from = 1}};
    bench.pass(1s);
    bench.order.take_live(live(1), bench.now);
    bench.order.set_connected(false, bench.now);
    bench.now += 10s;
    CHECK(bench.texts() == Texts{"live 1"});
}

TEST_CASE("follow: what the journal no longer has is said, with how many and where") {
    Bench bench{{.from = 1}};
    bench.store(4, 4);
    bench.pass(1s);
    CHECK(bench.texts() ==
          Texts{"3 events are missing between numbers 0 and 4: the journal no longer has them.", "number 4"});
    bench.store(6, 6);
    bench.pass(1s);
    CHECK(bench.texts() ==
          Texts{"1 event is missing between numbers 4 and 6: the journal no longer has it.", "number 6"});
}

TEST_CASE("follow: what the storage never took is said by the guard's own count") {
    Bench bench{{.from = 1}};
    bench.store(1, 1);
    bench.store(2, 5);
    bench.pass(1s);
    CHECK(bench.texts() == Texts{"number 1",
                                 "3 events are missing between 1 and 5 since dekeyd's start: its storage never took "
                                 "them.",
                                 "number 2"});
    bench.store(3, 1, "started");  // anew: it counts from 1
    bench.store(4, 2);
    bench.pass(2s);
    CHECK(bench.texts() == Texts{"number 3", "number 4"});
}

TEST_CASE("follow: of the live ones those that the journal skips come before the one that it has") {
    Bench bench{{.from = 1}};
    bench.pass(1s);
    for (std::uint64_t i = 1; i <= 3; ++i) bench.order.take_live(live(i), bench.now);
    bench.store(1, 3);
    bench.pass(1s);
    CHECK(bench.texts() == Texts{"live 1", "live 2", "number 1"});
}

TEST_CASE("follow: another journal begins at its first, and it is said") {
    Bench bench{{.place = Place{"e0", 70}}};
    bench.store(1, 1);
    bench.pass(1s);
    const Texts texts = bench.texts();
    REQUIRE(texts.size() == 2);
    CHECK(texts[0].find("another one than before") != std::string::npos);
    CHECK(texts[1] == "number 1");
}

TEST_CASE("follow: a journal that lost what it had confirmed is followed from there") {
    Bench bench{{.place = Place{"e1", 9}}};
    bench.store(1, 1);
    bench.pass(1s);
    CHECK(bench.texts().empty());
    bench.store(2, 2);
    bench.pass(1s);
    CHECK(bench.texts() == Texts{"number 2"});
}

TEST_CASE("follow: nothing where there must be something is believed after 10 s only") {
    Bench bench{{.from = 1}};
    bench.durable = 3;
    bench.pass(9s);
    CHECK(bench.texts().empty());
    bench.pass(4s);
    CHECK(bench.texts() == Texts{"3 events are missing between numbers 0 and 4: the journal no longer has them."});
}

TEST_CASE("follow: an entry that can't be read is an alarm, and no end") {
    Bench bench{{.from = 1}};
    bench.journal.push_back({1, "no JSON"});
    bench.store(2, 2);
    bench.pass(1s);
    CHECK(bench.texts() == Texts{"Event 1 of the journal can't be read.", "number 2"});
}

TEST_CASE("follow: severities pass from the least on, a word that isn't known and its own always") {
    const auto with = [](const std::string& severity) {
        return stored_event({"e1", 1}, R"({"kind":"held","severity":")" + severity + R"("})");
    };
    CHECK(passes(with("notice"), core::Severity::notice));
    CHECK_FALSE(passes(with("good"), core::Severity::warning));
    CHECK(passes(with("warning"), core::Severity::warning));
    CHECK_FALSE(passes(with("warning"), core::Severity::alarm));
    CHECK(passes(with("alarm"), core::Severity::alarm));
    CHECK(passes(with("catastrophe"), core::Severity::alarm));
    CHECK(passes(own_event("guard-back", core::Severity::good, "w", "t", {{"station", "x"}}), core::Severity::alarm));
}

TEST_CASE("follow: control bytes of a text go nowhere") {
    const FollowedEvent event = stored_event({"e1", 7}, R"({"kind":"held","text":"a\u001b[2Jb\u0000c"})");
    CHECK(event.text == "a?[2Jb?c");
    CHECK(event.id == "e1-7");
    CHECK(event.json.find('\x1b') == std::string::npos);
}

TEST_CASE("follow: a guard is gone after 5 s of silence, once, and back once") {
    using Change = GuardPresence::Change;
    GuardPresence presence{start, false};
    presence.hear(start + 1s);
    CHECK_FALSE(presence.look(start + 5900ms));
    CHECK(presence.look(start + 6s) == Change::gone);
    CHECK_FALSE(presence.look(start + 600s));
    presence.hear(start + 601s);
    CHECK(presence.look(start + 601s) == Change::back);
    CHECK_FALSE(presence.look(start + 602s));
    CHECK(presence.look(start + 606s) == Change::gone);
}

TEST_CASE("follow: a guard that was never there is awaited, not gone") {
    using Change = GuardPresence::Change;
    GuardPresence presence{start, false};
    CHECK_FALSE(presence.look(start + 59s));
    CHECK(presence.look(start + 60s) == Change::awaited);
    CHECK_FALSE(presence.look(start + 3600s));
    presence.hear(start + 3601s);
    CHECK(presence.look(start + 3601s) == Change::back);
}

TEST_CASE("follow: what an earlier run told to be away is told back, and not away again") {
    using Change = GuardPresence::Change;
    GuardPresence presence{start, true};
    CHECK_FALSE(presence.look(start + 300s));
    presence.hear(start + 301s);
    CHECK(presence.look(start + 301s) == Change::back);
}
