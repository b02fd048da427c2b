#include <doctest/doctest.h>

#include <fstream>
#include <iterator>

#include "drivers/fake_gpio.hpp"
#include "drivers/line.hpp"
#include "drivers/tree.hpp"

using namespace dekeyd;
using drivers::LineAddress;
using drivers::open_line;
using test::holds;
using test::line_error;
using test::Tree;

namespace {

LineAddress at(const std::string& path) {
    return {.driver = LineAddress::Driver::file, .chip = {}, .line = {}, .permit_high = true, .path = path};
}

std::string content(const std::string& path) {
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), {}};
}

}  // namespace

TEST_CASE("file line: inhibit at first, 1 for permit, 0 for inhibit, inhibit at last") {
    const Tree tree;
    const std::string path = tree.path("line");
    {
        const auto line = open_line(at(path));
        CHECK(content(path) == "0\n");
        CHECK(line->read_back() == std::optional(false));
        CHECK(line->write(true));
        CHECK(content(path) == "1\n");
        CHECK(line->read_back() == std::optional(true));
        CHECK(line->write(false));
        CHECK(content(path) == "0\n");
        CHECK(line->write(true));
        CHECK(holds(line->describe(), "protects nothing"));
    }
    CHECK(content(path) == "0\n");
}

TEST_CASE("file line: a permit that was left behind ends with the opening, and so does any rest") {
    const Tree tree;
    tree.write("line", "1\nand more\n");
    const auto line = open_line(at(tree.path("line")));
    CHECK(content(tree.path("line")) == "0\n");
}

TEST_CASE("file line: read-back shows what is there") {
    const Tree tree;
    const auto line = open_line(at(tree.path("line")));
    tree.write("line", "1\n");
    CHECK(line->read_back() == std::optional(true));
    tree.write("line", "x\n");
    CHECK(line->read_back() == std::nullopt);
    tree.write("line", "");
    CHECK(line->read_back() == std::nullopt);
    CHECK(line->write(false));
    CHECK(line->read_back() == std::optional(false));
    tree.remove("line");  // whoever watches the name sees nothing of this line any more
    CHECK(line->read_back() == std::nullopt);
}

TEST_CASE("file line: one holder") {
    const Tree tree;
    auto line = open_line(at(tree.path("line")));
    CHECK(line->write(true));
    bool busy = false;
    CHECK(holds(line_error([&] { open_line(at(tree.path("line"))); }, &busy), "held by another program"));
    CHECK(busy);
    CHECK(line->read_back() == std::optional(true));  // the refused one changed nothing
    line.reset();
    CHECK(line_error([&] { open_line(at(tree.path("line"))); }).empty());
}

TEST_CASE("file line: odd things in its place are refused, and nothing hangs") {
    const Tree tree;
    tree.folder("folder");
    tree.fifo("pipe");
    for (const std::string& path :
         {std::string(), tree.path("folder"), tree.path("pipe"), tree.path("none/line"), std::string("/dev/null")}) {
        CAPTURE(path);
        bool busy = true;
        const std::string message = line_error([&] { open_line(at(path)); }, &busy);
        CHECK(holds(message, "expected a plain file"));
        CHECK_FALSE(busy);
    }
}
