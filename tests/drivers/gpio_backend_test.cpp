// What the back end asks of libgpiod: one suite for both major versions.
#include <doctest/doctest.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <cerrno>
#include <system_error>

#include "drivers/fake_gpio.hpp"
#include "drivers/fake_libgpiod.hpp"
#include "drivers/gpio.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using test::kernel;
using test::Kernel;
using test::KernelChip;
using test::Tree;

namespace {

using Log = std::vector<std::string>;

/// One chip of four lines, whose device lies in the tree.
std::unique_ptr<drivers::Gpio> fresh_board(const Tree& tree) {
    kernel() = Kernel{};
    KernelChip chip{.label = "pinctrl-soc", .lines = std::vector<test::KernelLine>(4)};
    chip.lines[1] = {.name = "FAN_ON", .consumer = "fan", .used = true, .high = true, .edges = {}};
    chip.lines[2].name = "AMP_ENABLE";
    chip.lines[3].name = "LID";
    kernel().chips[tree.path("dev/gpiochip0")] = chip;
    return drivers::make_gpio(tree.root(), tree.path("dev"));
}

int error_of_output(drivers::Gpio& gpio, const std::string& chip, unsigned offset) {
    try {
        gpio.output(chip, offset, false);
    } catch (const std::system_error& error) {
        return error.code().value();
    }
    return 0;
}

}  // namespace

TEST_CASE("back end: an output is requested with its level in the request, as a level of the pad") {
    const Tree tree;
    const auto gpio = fresh_board(tree);
    kernel().chips.begin()->second.lines[2].high = true;  // left behind by somebody
    {
        const auto low = gpio->output("gpiochip0", 2, false);
        CHECK(kernel().log == Log{"request 2 output low by dekeyd"});
        CHECK(low->level() == std::optional(false));
        CHECK(low->set(true));
        CHECK(low->level() == std::optional(true));
        CHECK(low->edges() == std::nullopt);  // an output has none
    }
    {
        const auto high = gpio->output("gpiochip0", 0, true);
        CHECK(high->level() == std::optional(true));
    }
    CHECK(kernel().log == Log{"request 2 output low by dekeyd", "set 2 high", "release 2",
                              "request 0 output high by dekeyd", "release 0"});
    CHECK(kernel().open_handles == 0);
}

TEST_CASE("back end: the kernel's refusals come as its errno, and nothing is kept") {
    const Tree tree;
    const auto gpio = fresh_board(tree);
    CHECK(error_of_output(*gpio, "gpiochip1", 0) == ENOENT);
    CHECK(error_of_output(*gpio, "gpiochip0", 4) == EINVAL);
    CHECK(error_of_output(*gpio, "gpiochip0", 1) == EBUSY);
    kernel().request_error = EPERM;
    CHECK(error_of_output(*gpio, "gpiochip0", 2) == EPERM);
    CHECK(kernel().log.empty());
    CHECK(kernel().open_handles == 0);
}

TEST_CASE("back end: a set or a get that failed is told") {
    const Tree tree;
    const auto gpio = fresh_board(tree);
    const auto line = gpio->output("gpiochip0", 2, false);
    kernel().value_error = ENODEV;
    CHECK_FALSE(line->set(true));
    CHECK(line->level() == std::nullopt);
    kernel().value_error = 0;
    CHECK(line->level() == std::optional(false));
}

TEST_CASE("back end: inputs ask for both edges and their pull") {
    const Tree tree;
    const auto gpio = fresh_board(tree);
    static_cast<void>(gpio->input_with_edges("gpiochip0", 3, drivers::Bias::pull_up));
    static_cast<void>(gpio->input_with_edges("gpiochip0", 3, drivers::Bias::pull_down));
    static_cast<void>(gpio->input_with_edges("gpiochip0", 3, drivers::Bias::as_is));
    CHECK(kernel().log == Log{"request 3 input edges pull-up by dekeyd", "release 3",
                              "request 3 input edges pull-down by dekeyd", "release 3",
                              "request 3 input edges by dekeyd", "release 3"});
    CHECK(kernel().open_handles == 0);
}

TEST_CASE("back end: edges are counted without waiting, a handful at a time") {
    const Tree tree;
    const auto gpio = fresh_board(tree);
    const auto lid = gpio->input_with_edges("gpiochip0", 3, drivers::Bias::pull_up);
    auto& edges = kernel().chips.begin()->second.lines[3].edges;
    auto counted = lid->edges();
    REQUIRE(counted);
    CHECK(counted->rising + counted->falling == 0);
    edges = {true, false, true};
    counted = lid->edges();
    REQUIRE(counted);
    CHECK(counted->rising == 2);
    CHECK(counted->falling == 1);
    CHECK_FALSE(counted->more);
    edges.assign(20, true);
    counted = lid->edges();
    REQUIRE(counted);
    CHECK(counted->rising == 16);
    CHECK(counted->more);
    counted = lid->edges();
    REQUIRE(counted);
    CHECK(counted->rising == 4);
    kernel().value_error = ENODEV;
    CHECK(lid->edges() == std::nullopt);
}

TEST_CASE("back end: the chips and their lines") {
    const Tree tree;
    const auto gpio = fresh_board(tree);
    CHECK(gpio->chips().empty());  // no device
    tree.folder("dev");
    if (::mknod(tree.path("dev/gpiochip0").c_str(), S_IFCHR | 0600, ::makedev(1, 3)) != 0 ||
        ::mknod(tree.path("dev/gpiochip1").c_str(), S_IFCHR | 0600, ::makedev(1, 3)) != 0) {
        MESSAGE("skipped: this machine doesn't let a test make a device");
        return;
    }
    tree.folder("bus/gpio/devices/gpiochip0");
    const auto chips = gpio->chips();
    REQUIRE(chips.size() == 2);
    CHECK(chips[0].name == "gpiochip0");
    CHECK(chips[0].label == "pinctrl-soc");
    CHECK(chips[0].bus.empty());
    CHECK(chips[0].error == 0);
    REQUIRE(chips[0].lines.size() == 4);
    CHECK(chips[0].lines[0].name.empty());
    CHECK(chips[0].lines[1].name == "FAN_ON");
    CHECK(chips[0].lines[1].consumer == "fan");
    CHECK(chips[0].lines[1].used);
    CHECK(chips[0].lines[2].name == "AMP_ENABLE");
    CHECK_FALSE(chips[0].lines[2].used);
    CHECK(chips[1].error == ENOENT);  // not on the board
    CHECK(chips[1].lines.empty());
    CHECK(kernel().open_handles == 0);

    // The whole way: an address, a line.
    {
        const auto line = drivers::open_gpio_line({.driver = drivers::LineAddress::Driver::gpio,
                                                   .chip = "",
                                                   .line = "AMP_ENABLE",
                                                   .permit_high = false,
                                                   .path = {}},
                                                  *gpio);
        CHECK(line->write(true));
        CHECK(line->read_back() == std::optional(true));
    }
    CHECK(kernel().log == Log{"request 2 output high by dekeyd", "set 2 low", "set 2 high", "release 2"});
    bool busy = false;
    const std::string held = test::line_error(
        [&] {
            drivers::open_gpio_line({.driver = drivers::LineAddress::Driver::gpio,
                                     .chip = "pinctrl-soc",
                                     .line = "1",
                                     .permit_high = true,
                                     .path = {}},
                                    *gpio);
        },
        &busy);
    CHECK(busy);
    CHECK(test::holds(held, "held by 'fan'"));
}
