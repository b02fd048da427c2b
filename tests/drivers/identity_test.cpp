#include "drivers/identity.hpp"

#include <doctest/doctest.h>

#include <stdexcept>

#include "drivers/tree.hpp"

using namespace dekeyd;
using core::Fault;
using drivers::Located;
using test::Tree;

namespace {

Located find(const Tree& tree, const std::string& name, const std::string& label = {}) {
    return drivers::locate(tree.root(), tree.path("bus/iio/devices"), "iio:device", name, label);
}

}  // namespace

TEST_CASE("a device is found by its name, whatever its number") {
    const Tree tree;
    tree.write("bus/iio/devices/iio:device0/name", "mcp3208\n");
    tree.write("bus/iio/devices/iio:device7/name", "ads1015\n");
    tree.write("bus/iio/devices/trigger0/name", "ads1015\n");  // not a device
    const Located found = find(tree, "ads1015");
    CHECK(found.fault == Fault::none);
    CHECK(found.path == tree.path("bus/iio/devices/iio:device7"));
}

TEST_CASE("no device, and no folder at all") {
    const Tree tree;
    CHECK(find(tree, "ads1015").fault == Fault::absent);
    CHECK(find(tree, "ads1015").note.find("no device 'ads1015'") != std::string::npos);
    tree.write("bus/iio/devices/iio:device0/name", "ads1115\n");
    CHECK(find(tree, "ads1015").fault == Fault::absent);
    tree.remove("bus/iio/devices/iio:device0/name");
    CHECK(find(tree, "ads1015").fault == Fault::absent);
}

TEST_CASE("two of the same name are refused until told apart") {
    const Tree tree;
    tree.write("devices/i2c-1/1-0048/iio:device0/name", "ads1015\n");
    tree.write("devices/i2c-1/1-0049/iio:device1/name", "ads1015\n");
    tree.link("bus/iio/devices/iio:device0", "devices/i2c-1/1-0048/iio:device0");
    tree.link("bus/iio/devices/iio:device1", "devices/i2c-1/1-0049/iio:device1");
    const Located both = find(tree, "ads1015");
    CHECK(both.fault == Fault::wrong_device);
    CHECK(both.path.empty());
    CHECK(both.note.find("1-0048") != std::string::npos);
    CHECK(both.note.find("1-0049") != std::string::npos);
    CHECK(both.note.find("label") != std::string::npos);

    CHECK(find(tree, "ads1015", "1-0049").path == tree.path("bus/iio/devices/iio:device1"));
    CHECK(find(tree, "ads1015", "i2c-1").fault == Fault::wrong_device);
    CHECK(find(tree, "ads1015", "1-004a").fault == Fault::absent);

    tree.write("devices/i2c-1/1-0048/iio:device0/label", "coupler\n");
    CHECK(find(tree, "ads1015", "coupler").path == tree.path("bus/iio/devices/iio:device0"));
    CHECK(find(tree, "ads1015", "coup").fault == Fault::absent);  // the whole label, not a part
}

TEST_CASE("the root's own path tells nothing apart") {
    const Tree tree;
    tree.write("bus/iio/devices/iio:device0/name", "ads1015\n");
    CHECK(find(tree, "ads1015", "dekeyd-test").fault == Fault::absent);
    CHECK(drivers::real_path_below(tree.root(), tree.path("bus/iio")) == "/bus/iio");
    CHECK(drivers::real_path_below(tree.root(), tree.path("gone")) == tree.path("gone"));
}

TEST_CASE("names that would leave their folder are refused") {
    CHECK_NOTHROW(drivers::require_plain_name("28-000000000001", "1-Wire id"));
    for (const std::string name : {"", "..", ".", "../28-000000000001", "a/b", "/etc/passwd"}) {
        CAPTURE(name);
        CHECK_THROWS_AS(drivers::require_plain_name(name, "1-Wire id"), std::invalid_argument);
    }
}
