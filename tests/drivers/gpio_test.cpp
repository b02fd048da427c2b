#include "drivers/gpio.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>

#include "drivers/fake_gpio.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using drivers::choose_line;
using test::Board;
using test::demo_board;
using test::holds;
using test::line_error;
using test::Tree;

namespace {

void check_chosen(const Board& board, const std::string& chip, const std::string& line, const std::string& name,
                  unsigned offset) {
    const drivers::ChosenLine chosen = choose_line(board.chips, chip, line);
    REQUIRE(chosen.chip != nullptr);
    CHECK(chosen.chip->name == name);
    CHECK(chosen.offset == offset);
}

std::string refusal(const Board& board, const std::string& chip, const std::string& line) {
    return line_error([&] { choose_line(board.chips, chip, line); });
}

}  // namespace

TEST_CASE("a line is chosen by its name, on a chip by label, by name, or on all") {
    const Board board = demo_board();
    check_chosen(board, "pinctrl-soc", "AMP_ENABLE", "gpiochip0", 2);
    check_chosen(board, "gpiochip0", "AMP_ENABLE", "gpiochip0", 2);
    check_chosen(board, "", "AMP_ENABLE", "gpiochip0", 2);
    check_chosen(board, "", "LAMP", "gpiochip2", 1);
}

TEST_CASE("a line is chosen by its offset on a given chip") {
    const Board board = demo_board();
    check_chosen(board, "aux-soc", "1", "gpiochip1", 1);
    check_chosen(board, "pinctrl-soc", "0", "gpiochip0", 0);
    CHECK(holds(refusal(board, "", "2"), "no chip is given"));
    for (const char* line : {"4", "99999999999", "-1", "+1", "1 ", "0x1", ""}) {
        CAPTURE(line);
        CHECK(holds(refusal(board, "pinctrl-soc", line), "not found"));
    }
}

TEST_CASE("a line that is named like a number is meant by its name") {
    Board board = demo_board();
    board.chips[0].lines[3].name = "1";
    check_chosen(board, "pinctrl-soc", "1", "gpiochip0", 3);
}

TEST_CASE("no match says what there is") {
    Board board = demo_board();
    const std::string no_chip = refusal(board, "pinctrl-other", "AMP_ENABLE");
    CHECK(holds(no_chip, "'pinctrl-other' not found"));
    CHECK(holds(no_chip, "gpiochip0 ('pinctrl-soc')"));
    CHECK(holds(no_chip, "gpiochip2 ('1-0020')"));
    const std::string no_line = refusal(board, "", "AMP_ENABEL");
    CHECK(holds(no_line, "'AMP_ENABEL' not found on any chip"));
    CHECK(holds(refusal(board, "aux-soc", "AMP_ENABLE"), "not found on chip 'aux-soc'"));
    board.chips.clear();
    CHECK(holds(refusal(board, "", "AMP_ENABLE"), "there is no GPIO chip"));
}

TEST_CASE("several matches are refused, and named") {
    Board board = demo_board();
    board.chips[1].lines[1].name = "AMP_ENABLE";
    const std::string both = refusal(board, "", "AMP_ENABLE");
    CHECK(holds(both, "not unique"));
    CHECK(holds(both, "gpiochip0 ('pinctrl-soc') line 2 ('AMP_ENABLE')"));
    CHECK(holds(both, "gpiochip1 ('aux-soc') line 1 ('AMP_ENABLE')"));
    CHECK_THROWS_AS(choose_line(board.chips, "", "AMP_ENABLE"), drivers::AmbiguousLine);
    check_chosen(board, "aux-soc", "AMP_ENABLE", "gpiochip1", 1);

    // The same name twice on one chip.
    board.chips[0].lines[0].name = "AMP_ENABLE";
    CHECK(holds(refusal(board, "pinctrl-soc", "AMP_ENABLE"), "not unique"));
    check_chosen(board, "pinctrl-soc", "2", "gpiochip0", 2);
}

TEST_CASE("two chips of the same label: an offset is ambiguous, a unique line is not") {
    Board board = demo_board();
    board.chips[1].label = "pinctrl-soc";
    CHECK(holds(refusal(board, "pinctrl-soc", "1"), "not unique"));
    check_chosen(board, "pinctrl-soc", "FAN_ON", "gpiochip1", 0);
    check_chosen(board, "gpiochip1", "1", "gpiochip1", 1);
}

TEST_CASE("a chip that could not be looked at is said") {
    Board board = demo_board();
    board.chips[0] = {.name = "gpiochip0", .label = "", .bus = "", .error = EACCES, .lines = {}};
    const std::string message = refusal(board, "", "AMP_ENABLE");
    CHECK(holds(message, "gpiochip0 (Permission denied)"));
    CHECK(holds(message, "run with permission"));
}

TEST_CASE("the bus that a chip hangs on") {
    const Tree tree;
    const auto chip_at = [&tree](const std::string& name, const std::string& parent) {
        tree.folder("devices/" + parent + "/" + name);
        tree.link("bus/gpio/devices/" + name, "devices/" + parent + "/" + name);
        tree.link("devices/" + parent + "/" + name + "/device", "devices/" + parent);
        return drivers::bus_of_chip(tree.root(), name);
    };
    // Places as Linux gives them on small boards and in an emulated one.
    CHECK(chip_at("gpiochip0", "platform/soc/fe200000.gpio").empty());
    CHECK(chip_at("gpiochip1", "platform/9030000.pl061").empty());
    CHECK(chip_at("gpiochip2", "platform/soc/fe804000.i2c/i2c-1/1-0020") == "I2C");
    CHECK(chip_at("gpiochip3", "platform/soc/fe204000.spi/spi_master/spi0/spi0.0") == "SPI");
    CHECK(chip_at("gpiochip4", "platform/soc/fe980000.usb/usb1/1-1/1-1:1.0") == "USB");
    CHECK(chip_at("gpiochip5", "pci0000:00/0000:00:14.0/usb1/1-3/i2c-9/9-0021") == "USB");
    CHECK(drivers::bus_of_chip(tree.root(), "gpiochip9") == "an unknown bus");

    // Without a link to its parent, its own place tells.
    tree.folder("devices/platform/i2c-3/3-0038/gpiochip6");
    tree.link("bus/gpio/devices/gpiochip6", "devices/platform/i2c-3/3-0038/gpiochip6");
    CHECK(drivers::bus_of_chip(tree.root(), "gpiochip6") == "I2C");
}

TEST_CASE("devices: a second name of the same chip is not a second chip") {
    const Tree tree;
    tree.write("gpiochip7", "a plain file is no device");
    if (::mknod(tree.path("gpiochip0").c_str(), S_IFCHR | 0600, ::makedev(1, 3)) != 0) {
        MESSAGE("skipped in part: this machine doesn't let a test make a device");
        CHECK(drivers::gpio_devices(tree.root()).empty());
        return;
    }
    tree.link("gpiochip4", "gpiochip0");
    CHECK(drivers::gpio_devices(tree.root()) == std::vector<std::string>{"gpiochip0"});
}
