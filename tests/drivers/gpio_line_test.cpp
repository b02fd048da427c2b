#include <doctest/doctest.h>

#include <cerrno>

#include "drivers/fake_gpio.hpp"
#include "drivers/gpio.hpp"

using namespace dekeyd;
using drivers::LineAddress;
using drivers::open_gpio_line;
using test::Board;
using test::demo_board;
using test::FakeGpio;
using test::holds;
using test::line_error;

namespace {

LineAddress enable(bool permit_high) {
    return {.driver = LineAddress::Driver::gpio,
            .chip = "pinctrl-soc",
            .line = "AMP_ENABLE",
            .permit_high = permit_high,
            .path = {}};
}

using Log = std::vector<std::string>;

}  // namespace

TEST_CASE("the inhibit level is in the request, and the first and last of the pad; permit is high") {
    Board board = demo_board();
    FakeGpio gpio(board);
    {
        const auto line = open_gpio_line(enable(true), gpio);
        CHECK(board.log == Log{"request gpiochip0:2 low"});
        CHECK(line->read_back() == std::optional(false));
        CHECK(line->write(true));
        CHECK(line->read_back() == std::optional(true));
        CHECK(line->describe() == "GPIO gpiochip0 ('pinctrl-soc') line 2 ('AMP_ENABLE'), permit is high");
    }
    CHECK(board.log ==
          Log{"request gpiochip0:2 low", "set gpiochip0:2 high", "set gpiochip0:2 low", "release gpiochip0:2"});
}

TEST_CASE("the inhibit level is in the request, and the first and last of the pad; permit is low") {
    Board board = demo_board();
    FakeGpio gpio(board);
    {
        const auto line = open_gpio_line(enable(false), gpio);
        CHECK(board.log == Log{"request gpiochip0:2 high"});
        CHECK(line->read_back() == std::optional(false));
        CHECK(line->write(true));
        CHECK(line->read_back() == std::optional(true));
        CHECK(line->write(false));
        CHECK(line->read_back() == std::optional(false));
        CHECK(holds(line->describe(), "permit is low"));
    }
    CHECK(board.log == Log{"request gpiochip0:2 high", "set gpiochip0:2 low", "set gpiochip0:2 high",
                           "set gpiochip0:2 high", "release gpiochip0:2"});
}

TEST_CASE("a write that the kernel refused and a pad that can't be read are told") {
    Board board = demo_board();
    FakeGpio gpio(board);
    const auto line = open_gpio_line(enable(true), gpio);
    board.set_fails = true;
    CHECK_FALSE(line->write(true));
    board.level_fails = true;
    CHECK(line->read_back() == std::nullopt);
}

TEST_CASE("a pad that something else drives reads back as it is") {
    Board board = demo_board();
    FakeGpio gpio(board);
    const auto line = open_gpio_line(enable(true), gpio);
    CHECK(line->write(false));
    board.high[{"gpiochip0", 2}] = true;
    CHECK(line->read_back() == std::optional(true));
}

TEST_CASE("a held line is busy, with its holder's name, and nothing was touched") {
    Board board = demo_board();
    FakeGpio gpio(board);
    board.chips[0].lines[2] = {.name = "AMP_ENABLE", .consumer = "other-program", .used = true};
    board.request_error = EBUSY;
    bool busy = false;
    const std::string message = line_error([&] { open_gpio_line(enable(true), gpio); }, &busy);
    CHECK(busy);
    CHECK(holds(message, "held by 'other-program'"));
    CHECK(board.log.empty());
    board.chips[0].lines[2].consumer.clear();
    CHECK(holds(line_error([&] { open_gpio_line(enable(true), gpio); }), "held by another program or driver"));
}

TEST_CASE("another refusal of the kernel is not busy") {
    Board board = demo_board();
    FakeGpio gpio(board);
    board.request_error = EPERM;
    bool busy = true;
    const std::string message = line_error([&] { open_gpio_line(enable(true), gpio); }, &busy);
    CHECK_FALSE(busy);
    CHECK(holds(message, "Operation not permitted"));
    CHECK(holds(message, "/dev/gpiochip0"));
}

TEST_CASE("a chip behind a bus that can hang is refused, and nothing is requested") {
    Board board = demo_board();
    FakeGpio gpio(board);
    LineAddress lamp = enable(true);
    lamp.chip = "1-0020";
    lamp.line = "LAMP";
    for (const char* bus : {"I2C", "SPI", "USB", "an unknown bus"}) {
        board.chips[2].bus = bus;
        const std::string message = line_error([&] { open_gpio_line(lamp, gpio); });
        CHECK(holds(message, std::string("is on ") + bus));
        CHECK(holds(message, "gpiochip2 ('1-0020') line 1 ('LAMP')"));
    }
    CHECK(board.log.empty());
}

TEST_CASE("absent and ambiguous lines are refused, and nothing is requested") {
    Board board = demo_board();
    FakeGpio gpio(board);
    LineAddress address = enable(true);
    address.line = "NOT_THERE";
    bool busy = true;
    CHECK(holds(line_error([&] { open_gpio_line(address, gpio); }, &busy), "not found"));
    CHECK_FALSE(busy);
    board.chips[1].lines[1].name = "AMP_ENABLE";
    address = enable(true);
    address.chip.clear();
    CHECK(holds(line_error([&] { open_gpio_line(address, gpio); }), "not unique"));
    CHECK(board.log.empty());
}
