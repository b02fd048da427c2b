#include "dekeyctl/lines.hpp"

#include <doctest/doctest.h>

using namespace dekeyd::ctl;

TEST_CASE("a line is cut over all its spans, in columns and not in bytes") {
    Line line{{"≤10 W", Tone::strong}, {" below", Tone::plain}};
    CHECK(columns_of(line) == 11);
    fit(line, 11);
    CHECK(to_text({line}, {}, true) == "≤10 W below\n");
    fit(line, 7);
    CHECK(columns_of(line) == 7);
    fit(line, 3);
    CHECK(columns_of(line) == 3);
    CHECK(line[1].text.empty());
}

TEST_CASE("attributes are there with colour, fewer without it, and none in bare text") {
    const std::vector<Line> lines{{{"≤1", Tone::danger}, {" W", Tone::plain}}};
    CHECK(to_text(lines, {.colour = true}, false) == "\x1b[1;31m≤1\x1b[0m W\n");
    CHECK(to_text(lines, {}, false) == "\x1b[1m≤1\x1b[0m W\n");
    CHECK(to_text(lines, {.colour = true, .utf8 = false}, true) == "<=1 W\n");
}

TEST_CASE("a frame begins at the top, clears each row's rest and all below, and doesn't scroll") {
    const std::vector<Line> lines{{{"one", Tone::plain}}, {{"two", Tone::plain}}};
    CHECK(to_frame(lines, {}) == "\x1b[Hone\x1b[K\r\ntwo\x1b[K\x1b[J");
}
