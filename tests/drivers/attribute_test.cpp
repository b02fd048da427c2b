#include "drivers/attribute.hpp"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <unistd.h>

#include <array>

#include "drivers/tree.hpp"

using namespace dekeyd;
using core::Fault;
using drivers::Attribute;
using test::Tree;

namespace {

Fault fault_of(const std::string& path) {
    Attribute attribute;
    const Fault fault = attribute.follow(path.c_str());
    return fault != Fault::none ? fault : attribute.number().fault;
}

}  // namespace

TEST_CASE("an attribute is read anew from its start each time") {
    const Tree tree;
    tree.write("raw", "19753\n");
    Attribute attribute;
    CHECK(attribute.number().fault == Fault::absent);  // not open
    REQUIRE(attribute.follow(tree.path("raw").c_str()) == Fault::none);
    CHECK(attribute.number().value == 19753.0);
    tree.write("raw", "7\n");
    CHECK(attribute.number().value == 7.0);
    tree.write("raw", "");
    CHECK(attribute.number().fault == Fault::empty);
    tree.write("raw", "8\n");
    CHECK(attribute.number().value == 8.0);
}

TEST_CASE("a kept-open file goes on reading well after it was replaced: following notices") {
    const Tree tree;
    tree.write("raw", "1\n");
    Attribute attribute;
    REQUIRE(attribute.follow(tree.path("raw").c_str()) == Fault::none);
    tree.replace("raw", "2\n");
    CHECK(attribute.number().value == 1.0);  // the trap
    CHECK(attribute.follow(tree.path("raw").c_str()) == Fault::none);
    CHECK(attribute.number().value == 2.0);
    tree.remove("raw");
    CHECK(attribute.number().value == 2.0);
    CHECK(attribute.follow(tree.path("raw").c_str()) == Fault::absent);
    CHECK_FALSE(attribute.is_open());
    CHECK(attribute.number().fault == Fault::absent);
}

TEST_CASE("following a file that is still the same keeps it open") {
    const Tree tree;
    tree.write("raw", "1\n");
    Attribute attribute;
    REQUIRE(attribute.follow(tree.path("raw").c_str()) == Fault::none);
    const int next_before = ::open("/dev/null", O_RDONLY);
    ::close(next_before);
    REQUIRE(attribute.follow(tree.path("raw").c_str()) == Fault::none);
    const int next_after = ::open("/dev/null", O_RDONLY);
    ::close(next_after);
    CHECK(next_before == next_after);
}

TEST_CASE("odd things in an attribute's place are faults, and nothing hangs") {
    const Tree tree;
    CHECK(fault_of(tree.path("nothing")) == Fault::absent);
    tree.folder("folder");
    CHECK(fault_of(tree.path("folder")) == Fault::io_error);
    tree.fifo("pipe");
    CHECK(fault_of(tree.path("pipe")) == Fault::io_error);
    CHECK(fault_of("/dev/zero") == Fault::io_error);
    tree.link("dangling", "nowhere");
    CHECK(fault_of(tree.path("dangling")) == Fault::absent);
    tree.link("loop", "loop");
    CHECK(fault_of(tree.path("loop")) == Fault::io_error);
    tree.write("file", "1\n");
    CHECK(fault_of(tree.path("file/below")) == Fault::io_error);
}

TEST_CASE("texts that are no number") {
    const Tree tree;
    const auto fault_of_text = [&tree](const std::string& text) {
        tree.write("raw", text);
        return fault_of(tree.path("raw"));
    };
    CHECK(fault_of_text("") == Fault::empty);
    CHECK(fault_of_text(std::string("\x7f\x45\x4c\x46\x00\x01", 6)) == Fault::garbled);
    CHECK(fault_of_text(std::string(drivers::attribute_buffer - 1, '1')) == Fault::garbled);
    CHECK(fault_of_text(std::string(drivers::attribute_buffer, '1')) == Fault::garbled);
    CHECK(fault_of_text("42\n" + std::string(5'000'000, ' ')) == Fault::garbled);
    for (const char* text : {"nan\n", "inf\n", "-inf\n", "0x1f\n", "23,125\n", "12 mV\n"}) {
        CAPTURE(text);
        CHECK(fault_of_text(text) == Fault::garbled);
    }
}

TEST_CASE("a text that fills the buffer may go on, and is none") {
    const Tree tree;
    std::array<char, 16> buffer{};
    Attribute attribute;
    tree.write("name", std::string(15, 'x'));
    REQUIRE(attribute.follow(tree.path("name").c_str()) == Fault::none);
    CHECK(attribute.read(buffer).bytes == std::string(15, 'x'));
    tree.write("name", std::string(16, 'x'));
    CHECK(attribute.read(buffer).fault == Fault::garbled);
    CHECK(attribute.read(buffer).bytes.empty());
}

TEST_CASE("a file that this user may not read") {
    const Tree tree;
    tree.write("raw", "1\n");
    REQUIRE(::chmod(tree.root().c_str(), 0755) == 0);
    REQUIRE(::chmod(tree.path("raw").c_str(), 0) == 0);
    const int fault =
        test::as_nobody([](const std::string& path) { return static_cast<int>(fault_of(path)); }, tree.path("raw"));
    if (fault < 0) {
        MESSAGE("skipped: this machine doesn't let a test give up root's rights");
    } else {
        CHECK(static_cast<Fault>(fault) == Fault::no_permission);
    }
}

TEST_CASE("a small text without its newline") {
    const Tree tree;
    tree.write("name", "ads1015\n");
    CHECK(drivers::read_text(tree.path("name")).text == "ads1015");
    CHECK(drivers::read_text(tree.path("name")).fault == Fault::none);
    CHECK(drivers::read_text(tree.path("none")).fault == Fault::absent);
    tree.write("scale", "0.0625\n");
    CHECK(drivers::read_number(tree.path("scale")).value == 0.0625);
}

TEST_CASE("reading allocates nothing") {
    const Tree tree;
    tree.write("raw", "19753\n");
    Attribute attribute;
    REQUIRE(attribute.follow(tree.path("raw").c_str()) == Fault::none);
    const std::size_t before = test::allocations();
    double sum = 0.0;
    for (int i = 0; i < 100; ++i) sum += attribute.number().value;
    CHECK(test::allocations() == before);
    CHECK(sum == 1975300.0);
}
