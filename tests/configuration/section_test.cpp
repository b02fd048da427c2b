#include "configuration/section.hpp"

#include <doctest/doctest.h>

#include <array>

#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

/// A text and what reading it notes.
struct Reading {
    Tree tree;
    Report report;
    Section top;
    explicit Reading(std::string_view yaml) : tree{read_tree(yaml)}, top{&tree.root.value(), {1, 1}, "", report} {}

    void expect(const std::vector<ExpectedFault>& faults) {
        Loaded loaded;
        loaded.faults = report.faults();
        if (loaded.faults.empty()) loaded.configuration.emplace();
        expect_faults(loaded, faults);
    }
};

}  // namespace

TEST_CASE("an unknown key is answered with the nearest known one, or with all") {
    Reading r{"nmae: x\ncolour: y\n"};
    r.top.text("name", Need::optional);
    r.top.text("address", Need::optional);
    r.top.finish();
    r.expect({{1, "nmae", "the key 'nmae' is not known here"}, {2, "colour", "the key 'colour' is not known here"}});
    CHECK(r.report.faults()[0].expected == "did you mean 'name'?");
    CHECK(r.report.faults()[1].expected == "one of: name, address");
}

TEST_CASE("a misspelt key that is required is one fault, not two") {
    Reading r{"nmae: x\n"};
    r.top.text("name", Need::required);
    r.top.finish();
    r.expect({{1, "nmae", "the key 'nmae' is not known here"}});
}

TEST_CASE("what is missing is meant before what is there already") {
    Reading r{"above: 1\nbelov: 2\n"};
    r.top.scalar("above", Need::required);
    r.top.scalar("below", Need::required);
    r.top.finish();
    r.expect({{2, "belov", "the key 'belov' is not known here"}});
    CHECK(r.report.faults()[0].expected == "did you mean 'below'?");
}

TEST_CASE("missing keys are named with their section's place") {
    Reading r{"a: 1\nb: {c: 1}\n"};
    r.top.scalar("a", Need::required);
    Section b = r.top.section("b", Need::required);
    b.scalar("c", Need::required);
    b.scalar("d", Need::required);
    b.finish();
    r.top.section("e", Need::required);
    r.top.finish();
    r.expect({{2, "b.d", "'d' is missing"}, {1, "e", "'e' is missing"}});
}

TEST_CASE("an absent section misses nothing") {
    Reading r{"a: 1\n"};
    r.top.scalar("a", Need::required);
    Section none = r.top.section("none", Need::optional);
    CHECK_FALSE(none.present());
    none.scalar("x", Need::required);
    none.finish();
    r.top.finish();
    r.expect({});
}

TEST_CASE("values of the wrong shape") {
    Reading r{"a: [1]\nb: {c: 1}\nd:\ne: 5\nf: 6\n"};
    r.top.scalar("a", Need::required);
    r.top.scalar("b", Need::required);
    r.top.scalar("d", Need::required);
    CHECK_FALSE(r.top.section("e", Need::required).present());
    CHECK(r.top.list("f", Need::required) == nullptr);
    r.top.finish();
    r.expect({{1, "a", "a list where one value was expected"},
              {2, "b", "a section where one value was expected"},
              {3, "d", "'d' has no value"},
              {4, "e", "one value where a section was expected"},
              {5, "f", "one value where a list was expected"}});
}

TEST_CASE("signs of quantities") {
    Reading r{"a: 0 W\nb: -1 dB\nc: 0 dB\nd: -5 s\ne: 0 s\nf: 800 days\ng: 9000 h\nh: 100 s\n"};
    CHECK_FALSE(r.top.quantity("a", Dimension::power, Need::required, Sign::positive));
    CHECK_FALSE(r.top.quantity("b", Dimension::ratio_db, Need::required, Sign::not_negative));
    CHECK(r.top.quantity("c", Dimension::ratio_db, Need::required, Sign::not_negative) == 0.0);
    CHECK_FALSE(r.top.duration("d", Need::required, Sign::positive));
    CHECK(r.top.duration("e", Need::required, Sign::not_negative) == core::Duration{0});
    CHECK_FALSE(r.top.duration("f", Need::required, Sign::positive));
    CHECK_FALSE(r.top.duration("g", Need::required, Sign::positive));
    CHECK(r.top.duration("h", Need::required, Sign::positive) == 100s);
    r.top.finish();
    r.expect({{1, "a", "'0 W' is not above zero"},
              {2, "b", "'-1 dB' is negative"},
              {4, "d", "'-5 s' is not above zero"},
              {6, "f", "'days' is not a unit known here"},
              {7, "g", "a time of more than a year"}});
}

TEST_CASE("words, flags and whole numbers") {
    Reading r{"a: yes\nb: maybe\nc: latch\nd: 7\ne: 007\nf: 0x7\ng: 8 s\nh: -1\ni: 70000\n"};
    CHECK(r.top.flag("a", Need::required) == true);
    CHECK_FALSE(r.top.flag("b", Need::required));
    constexpr std::array words{Word{"latched", 1}, Word{"automatic", 2}};
    CHECK_FALSE(r.top.choice("c", words, Need::required));
    CHECK(r.top.whole("d", 0, 10, Need::required) == 7);
    for (const std::string_view key : {"e", "f", "g", "h"}) CHECK_FALSE(r.top.whole(key, 0, 10, Need::required));
    CHECK_FALSE(r.top.whole("i", 1, 65535, Need::required));
    r.top.finish();
    CHECK(r.report.faults().size() == 7);
    CHECK(r.report.faults()[0].what == "'maybe' is none of the words for 'b'");
    CHECK(r.report.faults()[1].expected == "did you mean 'latched'? One of: latched, automatic");
}

TEST_CASE("ids are a-z, 0-9 and hyphens between them") {
    for (const char* good : {"a", "heatsink", "supply-low", "23cm", "a-b-c", "0"}) CHECK(wrong_with_id(good).empty());
    for (const char* bad : {"", "A", "heat sink", "heat_sink", "-a", "a-", "ä", "a/b", "a.b", "+", "#",
                            "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"})
        CHECK_FALSE(wrong_with_id(bad).empty());
}

TEST_CASE("texts and paths") {
    Reading r{"a: ''\nb: \"x\\ty\"\nc: relative/path\nd: /run/dekeyd\ne: Hügel 1\n"};
    CHECK_FALSE(r.top.text("a", Need::required));
    CHECK_FALSE(r.top.text("b", Need::required));
    CHECK_FALSE(r.top.absolute_path("c", Need::required));
    CHECK(r.top.absolute_path("d", Need::required) == "/run/dekeyd");
    CHECK(r.top.text("e", Need::required) == "Hügel 1");
    r.top.finish();
    CHECK(r.report.faults().size() == 3);
}

TEST_CASE("a decimal comma in braces is recognised by what it leaves") {
    Reading r{"s: {trip: 2,5 W}\n"};
    Section s = r.top.section("s", Need::required);
    s.quantity("trip", Dimension::power, Need::required);
    s.finish();
    r.expect({{1, "s.trip", "'2' needs a unit"}, {1, "s.5 W", "'5 W' is in the place of a key"}});
}

TEST_CASE("names that the user chooses are ids, and bounded in number") {
    Reading r{"s: {ok: 1, Not OK: 2, also-ok: 3, one-more: 4}\n"};
    Section s = r.top.section("s", Need::required);
    const auto entries = s.named_entries(3);
    s.finish();
    CHECK(entries.size() == 3);
    r.expect({{1, "s.Not OK", "'Not OK' is no id"}, {1, "s", "4 of these, from here on too many"}});
}
