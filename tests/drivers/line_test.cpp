#include "drivers/line.hpp"

#include <doctest/doctest.h>

#include "drivers/fake_gpio.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using drivers::from_text;
using drivers::LineAddress;
using drivers::to_text;

namespace {

bool same(const LineAddress& a, const LineAddress& b) {
    return a.driver == b.driver && a.chip == b.chip && a.line == b.line && a.permit_high == b.permit_high &&
           a.path == b.path;
}

}  // namespace

TEST_CASE("an address goes to one line of text and back") {
    std::string every_byte;
    for (int byte = 0; byte < 256; ++byte) every_byte += static_cast<char>(byte);
    for (const std::string& word :
         {std::string(), std::string("AMP_ENABLE"), std::string("line with blanks"), std::string("a=b"),
          std::string("new\nline"), std::string("%41"), std::string(" end"), every_byte}) {
        for (const bool permit_high : {true, false}) {
            for (const auto driver : {LineAddress::Driver::gpio, LineAddress::Driver::file}) {
                const LineAddress address{.driver = driver,
                                          .chip = word,
                                          .line = word,
                                          .permit_high = permit_high,
                                          .path = "/run/dekeyd/" + word};
                const std::string text = to_text(address);
                CAPTURE(text);
                CHECK(text.find('\n') == std::string::npos);
                const auto back = from_text(text);
                REQUIRE(back);
                CHECK(same(*back, address));
                REQUIRE(from_text(text + "\n"));
            }
        }
    }
}

TEST_CASE("the text is as documented") {
    CHECK(to_text({.driver = LineAddress::Driver::gpio,
                   .chip = "pinctrl soc",
                   .line = "17",
                   .permit_high = false,
                   .path = {}}) == "dekeyd-line 1 driver=gpio permit=low chip=pinctrl%20soc line=17 path= end");
}

TEST_CASE("half a text, or another's, is no address") {
    const std::string whole = to_text({.driver = LineAddress::Driver::gpio,
                                       .chip = "pinctrl-soc",
                                       .line = "AMP_ENABLE",
                                       .permit_high = true,
                                       .path = "/x"});
    for (std::size_t cut = 0; cut < whole.size(); ++cut) {
        CAPTURE(cut);
        CHECK_FALSE(from_text(whole.substr(0, cut)));
    }
    for (const std::string& text :
         {whole + "\n\n", whole + " ", " " + whole, "dekeyd-line 2" + whole.substr(13),
          std::string("dekeyd-line 1 driver=none permit=low chip= line= path= end"),
          std::string("dekeyd-line 1 driver=gpio permit=maybe chip= line= path= end"),
          std::string("dekeyd-line 1 driver=gpio permit=low chip=%4 line= path= end"),
          std::string("dekeyd-line 1 driver=gpio permit=low chip=%zz line= path= end"),
          std::string("dekeyd-line 1 driver=gpio permit=low line= chip= path= end"), std::string(100'000, 'x')}) {
        CAPTURE(text);
        CHECK_FALSE(from_text(text));
    }
}

TEST_CASE("open_line opens the line that the address means") {
    const test::Tree tree;
    const auto line = drivers::open_line(
        {.driver = LineAddress::Driver::file, .chip = {}, .line = {}, .permit_high = true, .path = tree.path("line")});
    CHECK(line->read_back() == std::optional(false));
    const LineAddress gpio{.driver = LineAddress::Driver::gpio,
                           .chip = "no-such-chip",
                           .line = "NO_SUCH_LINE",
                           .permit_high = true,
                           .path = {}};
    const std::string message = test::line_error([&] { drivers::open_line(gpio, tree.root()); });
    CHECK(test::holds(message, "'no-such-chip' not found"));
}
