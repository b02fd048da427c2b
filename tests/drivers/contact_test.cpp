#include <doctest/doctest.h>

#include <cerrno>
#include <stdexcept>

#include "drivers/fake_gpio.hpp"
#include "drivers/sensor.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using core::Fault;
using drivers::ContactAddress;
using drivers::ContactWiring;
using drivers::make_contact_sensor;
using test::Board;
using test::check_fault;
using test::check_value;
using test::demo_board;
using test::FakeGpio;
using test::Pad;
using test::Tree;

namespace {

const Pad lid{"gpiochip0", 3};

std::unique_ptr<drivers::Sensor> lid_contact(Board& board, ContactWiring wiring = ContactWiring::to_ground) {
    return drivers::make_gpio_contact({.chip = "", .line = "LID", .wiring = wiring}, std::make_unique<FakeGpio>(board));
}

}  // namespace

TEST_CASE("contact to ground: closed is low, a cut wire is open") {
    Board board = demo_board();
    board.high[lid] = false;
    const auto contact = lid_contact(board);
    check_value(*contact, 1.0);
    CHECK(board.log == std::vector<std::string>{"request gpiochip0:3 pull-up"});
    board.high[lid] = true;
    check_value(*contact, 0.0);
}

TEST_CASE("contact to supply: closed is high, a cut wire is open") {
    Board board = demo_board();
    board.high[lid] = true;
    const auto contact = lid_contact(board, ContactWiring::to_supply);
    check_value(*contact, 1.0);
    CHECK(board.log == std::vector<std::string>{"request gpiochip0:3 pull-down"});
    board.high[lid] = false;
    check_value(*contact, 0.0);
}

TEST_CASE("a short opening between two reads is counted, in both wirings") {
    for (const ContactWiring wiring : {ContactWiring::to_ground, ContactWiring::to_supply}) {
        Board board = demo_board();
        board.high[lid] = wiring == ContactWiring::to_supply;
        const auto contact = lid_contact(board, wiring);
        CHECK(contact->read().openings == 0);
        // Two openings, each followed by a closing.
        board.edges[lid] = {.rising = 2, .falling = 2, .more = false};
        core::Sample sample = contact->read();
        CHECK(sample.value == 1.0);
        CHECK(sample.openings == 2);
        // Opened, closed, opened, and still open.
        const bool opens_by_falling = wiring == ContactWiring::to_supply;
        board.edges[lid] = {.rising = opens_by_falling ? 1U : 2U, .falling = opens_by_falling ? 2U : 1U, .more = false};
        board.high[lid] = wiring != ContactWiring::to_supply;
        sample = contact->read();
        CHECK(sample.value == 0.0);
        CHECK(sample.openings == 4);
        CHECK(contact->read().openings == 4);
    }
}

TEST_CASE("a normally open contact: 1 while open, and a short closing between two reads is counted, in both wirings") {
    for (const ContactWiring wiring : {ContactWiring::to_ground, ContactWiring::to_supply}) {
        Board board = demo_board();
        const bool open_is_high = wiring == ContactWiring::to_ground;
        board.high[lid] = open_is_high;
        const auto contact = drivers::make_gpio_contact(
            {.chip = "", .line = "LID", .wiring = wiring, .normally_closed = false}, std::make_unique<FakeGpio>(board));
        CHECK(contact->read().value == 1.0);
        board.edges[lid] = {.rising = 1, .falling = 1, .more = false};  // closed and opened again
        core::Sample sample = contact->read();
        CHECK(sample.value == 1.0);
        CHECK(sample.openings == 1);
        board.edges[lid] = {.rising = open_is_high ? 0U : 1U, .falling = open_is_high ? 1U : 0U, .more = false};
        board.high[lid] = !open_is_high;
        sample = contact->read();
        CHECK(sample.value == 0.0);
        CHECK(sample.openings == 2);
    }
}

TEST_CASE("an opening whose edge the kernel lost is seen by its level") {
    Board board = demo_board();
    const auto contact = lid_contact(board);
    CHECK(contact->read().openings == 0);
    board.high[lid] = true;
    CHECK(contact->read().openings == 1);
    CHECK(contact->read().openings == 1);
}

TEST_CASE("a contact that is open from the first reading on has not opened") {
    Board board = demo_board();
    board.high[lid] = true;
    const auto contact = lid_contact(board);
    check_value(*contact, 0.0);
    CHECK(contact->read().openings == 0);
}

TEST_CASE("a lost chip is a fault, and comes back") {
    Board board = demo_board();
    const auto contact = lid_contact(board);
    check_value(*contact, 1.0);
    board.level_fails = true;
    check_fault(*contact, Fault::absent);  // ENODEV
    CHECK(board.log.back() == "release gpiochip0:3");
    check_fault(*contact, Fault::absent);
    board.level_fails = false;
    contact->refresh();
    check_value(*contact, 1.0);
}

TEST_CASE("a contact that can't be had says why") {
    Board board = demo_board();
    board.request_error = EBUSY;
    auto contact = lid_contact(board);
    check_fault(*contact, Fault::io_error);
    board.request_error = EACCES;
    contact->refresh();
    check_fault(*contact, Fault::no_permission);
    board.request_error = 0;
    board.chips[1].lines[1].name = "LID";
    contact->refresh();
    check_fault(*contact, Fault::wrong_device);
    CHECK(test::holds(contact->where(), "not unique"));
    board.chips[0].lines[3].name = board.chips[1].lines[1].name = "";
    contact->refresh();
    check_fault(*contact, Fault::absent);
    CHECK(test::holds(contact->where(), "not found"));
}

TEST_CASE("a contact on an expander is allowed: its reader may block") {
    Board board = demo_board();
    const auto contact = drivers::make_gpio_contact({.chip = "", .line = "LAMP"}, std::make_unique<FakeGpio>(board));
    check_value(*contact, 1.0);
}

TEST_CASE("a file stands in for a contact on the bench") {
    const Tree tree;
    const auto contact = make_contact_sensor(tree.root(), {.chip = "", .line = "file:contacts/lid"});
    check_fault(*contact, Fault::absent);
    tree.write("contacts/lid", "1\n");
    contact->refresh();
    check_value(*contact, 1.0);
    tree.write("contacts/lid", "0\n");
    CHECK(contact->read().openings == 1);
    check_value(*contact, 0.0);
    for (const char* text : {"2\n", "-1\n", "0.5\n", "open\n", "nan\n"}) {
        CAPTURE(text);
        tree.write("contacts/lid", text);
        check_fault(*contact, Fault::garbled);
    }
    tree.write("contacts/lid", "");
    check_fault(*contact, Fault::empty);
    tree.write("contacts/lid", "1\n");
    check_value(*contact, 1.0);
    CHECK(contact->read().openings == 1);
}

TEST_CASE("a file contact stays below the root") {
    for (const char* line : {"file:", "file:/etc/hostname", "file:../x", "file:a/../../x"}) {
        CAPTURE(line);
        CHECK_THROWS_AS(make_contact_sensor("/sys", {.chip = "", .line = line}), std::invalid_argument);
    }
}

TEST_CASE("contacts: reading allocates nothing once open") {
    const Tree tree;
    tree.write("contacts/lid", "1\n");
    const auto contact = make_contact_sensor(tree.root(), {.chip = "", .line = "file:contacts/lid"});
    check_value(*contact, 1.0);
    const std::size_t before = test::allocations();
    for (int i = 0; i < 100; ++i) static_cast<void>(contact->read());
    CHECK(test::allocations() == before);
}
