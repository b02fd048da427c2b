#include "words/notes.hpp"

#include <doctest/doctest.h>

#include <string>

using dekeyd::formats::asked_again;
using dekeyd::formats::longest_reason;
using dekeyd::formats::Note;
using dekeyd::formats::reason_of_bytes;

TEST_CASE("any bytes become a reason of one line that every screen can show") {
    CHECK(reason_of_bytes("climber on the mast") == "climber on the mast");
    CHECK(reason_of_bytes("  two\nlines\tand\x1b[31m red ") == "two lines and [31m red");
    CHECK(reason_of_bytes("Mast gestürzt") == "Mast gestürzt");
    CHECK(reason_of_bytes(std::string_view{"\0", 1}).empty());
    CHECK(reason_of_bytes("a\xff"
                          "b\xc3") == "a?b?");
    // The Unicode standard, table 3-7 (well-formed UTF-8): no overlong form, no surrogate, nothing beyond U+10FFFF.
    CHECK(reason_of_bytes("\xc0\x80") == "??");
    CHECK(reason_of_bytes("\xed\xa0\x80") == "???");
    CHECK(reason_of_bytes("\xf4\x90\x80\x80") == "????");
    CHECK(reason_of_bytes("\xf0\x9f\x97\xbc") == "\xf0\x9f\x97\xbc");
    // U+0085 next line, U+2028 line separator, U+202E right-to-left override.
    CHECK(reason_of_bytes("a\xc2\x85"
                          "b\xe2\x80\xa8"
                          "c\xe2\x80\xae"
                          "d") == "a b c d");
}

TEST_CASE("a reason's length is bounded, and no character is cut") {
    CHECK(reason_of_bytes(std::string(500, 'x')).size() == longest_reason);
    const std::string umlauts = [] {
        std::string text = "x";
        for (int i = 0; i < 200; ++i) text += "ü";
        return text;
    }();
    const std::string reason = reason_of_bytes(umlauts);
    CHECK(reason.size() == longest_reason - 1);
    CHECK(reason.ends_with("ü"));
}

TEST_CASE("a hold that is asked for again loses no reason, and stands since the first time") {
    const Note mast{.at_s = 100, .reason = "climber on the mast"};
    CHECK(asked_again(mast, {.at_s = 200}) == mast);
    CHECK(asked_again(mast, {.at_s = 200, .reason = "proof test"}) ==
          Note{.at_s = 100, .reason = "climber on the mast; proof test"});
    CHECK(asked_again(mast, {.at_s = 200, .reason = "mast"}) == mast);
    CHECK(asked_again({.at_s = 100}, {.at_s = 200, .reason = "feeder"}) == Note{.at_s = 100, .reason = "feeder"});
    // What the start held is the operator's own from now on.
    CHECK(asked_again({.at_s = 100, .at_start = true}, {.at_s = 200, .reason = "feeder"}) ==
          Note{.at_s = 200, .reason = "feeder"});
    CHECK(asked_again({}, {.at_s = 200, .reason = "feeder"}).at_s == 200);
    CHECK(asked_again(mast, {.at_s = 200, .reason = std::string(longest_reason, 'x')}).reason.size() == longest_reason);
}
