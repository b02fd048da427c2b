#include "drivers/w1_conversion.hpp"

#include <doctest/doctest.h>

#include <functional>

#include "drivers/tree.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using core::Fault;
using test::Tree;

namespace {

const std::string first = "28-000000000001", second = "28-000000000002";
const std::string master = "devices/w1_bus_master1", file = master + "/therm_bulk_read";

/// Plays the kernel: the driver looks at the clock just before the trigger (0), and before each look at the status.
std::function<core::Duration(int look)> kernel;
int looks = 0;

core::Instant clock_of_kernel() noexcept {
    return core::Instant{100s} + kernel(looks++);
}

class Wire {
public:
    Wire() {
        for (const std::string& id : {first, second}) place(id, master);
        tree.write(file, "0\n");
    }
    void place(const std::string& id, const std::string& on) const {
        tree.folder(on + "/" + id);
        tree.link("bus/w1/devices/" + id, on + "/" + id);
    }
    /// By these, each with what it answers and how long after the trigger; the last again and again.
    struct Status {
        std::string text;
        core::Duration after;
    };
    Fault convert(const std::vector<Status>& answers, bool leave = false, core::Duration least = 94ms) {
        looks = 0;
        kernel = [&](int look) -> core::Duration {
            if (look == 0) return 0ms;
            if (look == 1) {
                std::ifstream in{tree.path(file), std::ios::binary};
                written.assign(std::istreambuf_iterator<char>(in), {});
            }
            const Status& now = answers[std::min<std::size_t>(static_cast<std::size_t>(look) - 1, answers.size() - 1)];
            tree.write(file, now.text);
            return now.after * (static_cast<std::size_t>(look) > answers.size() ? look : 1);
        };
        const std::atomic<bool> leaves{leave};
        const auto conversion = drivers::make_w1_conversion(tree.root(), {first, second},
                                                            {.least = least, .longest = 1s, .clock = &clock_of_kernel});
        return conversion->convert(leaves);
    }

    Tree tree;
    std::string written;
};

}  // namespace

TEST_CASE("1-Wire: one trigger, with the newline that the kernel counts, and the status awaited") {
    Wire wire;
    CHECK(wire.convert({{"-1\n", 1ms}, {"-1\n", 50ms}, {"1\n", 95ms}}) == Fault::none);
    CHECK(wire.written == "trigger\n");
    CHECK(looks == 4);
    CHECK(wire.convert({{"1\n", 750ms}}) == Fault::none);  // a kernel that returns when it is over
}

TEST_CASE("1-Wire: a trigger that failed, and one that the kernel only says is over, are faults") {
    Wire wire;
    CHECK(wire.convert({{"0\n", 1ms}}) == Fault::io_error);
    CHECK(wire.convert({{"1\n", 750ms - 1us}}, false, 750ms) == Fault::io_error);
    CHECK(wire.convert({{"1\n", 750ms}}, false, 750ms) == Fault::none);
    CHECK(wire.convert({{"-1\n", 10ms}, {"0\n", 95ms}}) == Fault::io_error);
    CHECK(wire.convert({{"2\n", 95ms}}) == Fault::garbled);
    CHECK(wire.convert({{"trigger\n", 95ms}}) == Fault::garbled);
    CHECK(wire.convert({{"", 95ms}}) == Fault::empty);
}

TEST_CASE("1-Wire: a conversion that doesn't end is waited for no longer than its time, and not when leaving") {
    Wire wire;
    CHECK(wire.convert({{"-1\n", 100ms}}) == Fault::io_error);
    CHECK(looks == 12);  // the one of 1.1 s is beyond 1 s
    CHECK(wire.convert({{"-1\n", 10ms}}, true) == Fault::io_error);
    CHECK(looks == 2);
}

TEST_CASE("1-Wire: no file, no permission, and something else in its place") {
    Wire wire;
    wire.tree.remove(file);
    CHECK(wire.convert({{"1\n", 95ms}}) == Fault::absent);
    wire.tree.folder(file);
    CHECK(wire.convert({{"1\n", 95ms}}) == Fault::io_error);
    wire.tree.remove(file);
    wire.tree.fifo(file);
    CHECK(wire.convert({{"1\n", 95ms}}) == Fault::io_error);
    CHECK(looks == 0);
    wire.tree.remove(file);
    wire.tree.write(file, "0\n");
    REQUIRE(::chmod(wire.tree.root().c_str(), 0755) == 0);
    REQUIRE(::chmod(wire.tree.path(file).c_str(), 0444) == 0);
    kernel = [](int) { return core::Duration{0}; };
    const int fault = test::as_nobody(
        [](const std::string& root) {
            const std::atomic<bool> leaves{false};
            return static_cast<int>(
                drivers::make_w1_conversion(root, {first}, {.least = 0ms, .longest = 1s, .clock = &clock_of_kernel})
                    ->convert(leaves));
        },
        wire.tree.root());
    if (fault < 0) {
        MESSAGE("skipped: this machine doesn't let a test give up root's rights");
    } else {
        CHECK(static_cast<Fault>(fault) == Fault::no_permission);
    }
}

TEST_CASE("1-Wire: the master is found by the thermometers that are there, and must be one") {
    Wire wire;
    wire.tree.remove("bus/w1/devices/" + first);
    CHECK(wire.convert({{"1\n", 95ms}}) == Fault::none);
    wire.place(first, "devices/w1_bus_master2");
    CHECK(wire.convert({{"1\n", 95ms}}) == Fault::wrong_device);
    wire.tree.remove("bus/w1/devices/" + first);
    wire.tree.remove("bus/w1/devices/" + second);
    CHECK(wire.convert({{"1\n", 95ms}}) == Fault::absent);
    CHECK_THROWS_AS(
        drivers::make_w1_conversion("/sys", {"../1"}, {.least = 0ms, .longest = 1s, .clock = &clock_of_kernel}),
        std::invalid_argument);
}

TEST_CASE("1-Wire: where a common conversion is asked for") {
    Wire wire;
    const auto seen = [&] { return drivers::find_bulk_read(wire.tree.root(), {first, second}); };
    CHECK(seen().fault == Fault::none);
    CHECK(seen().path.ends_with(file));
    wire.tree.remove(file);
    CHECK(seen().fault == Fault::absent);
    CHECK(seen().path.ends_with(file));
    wire.tree.remove("bus/w1/devices");
    CHECK(seen().fault == Fault::absent);
    CHECK(seen().path.empty());
}

TEST_CASE("1-Wire: a common conversion allocates nothing") {
    const Wire wire;
    wire.tree.write(file, "1\n");
    kernel = [](int) { return core::Duration{0}; };
    const auto conversion = drivers::make_w1_conversion(wire.tree.root(), {first, second},
                                                        {.least = 0ms, .longest = 1s, .clock = &clock_of_kernel});
    const std::atomic<bool> leaves{false};
    const std::size_t before = test::allocations();
    for (int i = 0; i < 10; ++i) static_cast<void>(conversion->convert(leaves));
    CHECK(test::allocations() == before);
}
