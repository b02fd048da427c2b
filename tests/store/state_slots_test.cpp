#include "store/state_slots.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <limits>

#include "base/durable_file.hpp"
#include "core/protection.hpp"
#include "sample_plan.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using formats::load_state;
using formats::StateCopy;
using formats::StateSlots;
using formats::StoredState;

namespace {

bool storage_fails = false;

}  // namespace

/// In the C library's place: a storage that takes the bytes and then says that they aren't on it.
extern "C" int fdatasync(int file) {
    if (!storage_fails) return static_cast<int>(::syscall(SYS_fdatasync, file));
    errno = EIO;
    return -1;
}

namespace {

/// How many files this process has open.
auto open_files() {
    return std::distance(std::filesystem::directory_iterator{"/proc/self/fd"}, {});
}

mode_t mode_of(const std::string& path) {
    struct stat there {};
    REQUIRE(::stat(path.c_str(), &there) == 0);
    return there.st_mode & 07777;
}

StoredState numbered(const core::Plan& plan, std::uint64_t sequence) {
    StoredState state = formats::blank_state(plan);
    state.sequence = sequence;
    state.memory.trip_level = std::chrono::seconds{sequence};
    return state;
}

std::string bytes_of(const std::string& path) {
    std::ifstream in{path, std::ios::binary};
    return {std::istreambuf_iterator<char>{in}, {}};
}

void put(const std::string& path, const std::string& bytes) {
    std::ofstream{path, std::ios::binary} << bytes;
}

/// As many saves as given, the sequences from 1 on.
std::string saved(const test::TemporaryFolder& folder, const core::Plan& plan, std::uint64_t saves) {
    StateSlots slots{folder.path()};
    for (std::uint64_t i = 1; i <= saves; ++i) REQUIRE(slots.save(plan, numbered(plan, i)) == "");
    return bytes_of(folder / "state");
}

}  // namespace

TEST_CASE("no file is a first start, a zero-byte file is damage, a folder in its place too") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder;
    CHECK(load_state(folder.path(), plan).memory.first_start);
    CHECK_FALSE(load_state(folder.path(), plan).memory.unreadable);
    CHECK_FALSE(load_state(folder.path(), plan).running);
    bool unsaved = true;
    CHECK(load_state(folder.path(), folder.path(), plan, unsaved).sequence == 0);
    CHECK_FALSE(unsaved);

    put(folder / "state", "");
    CHECK(load_state(folder.path(), plan).memory.unreadable);
    CHECK_FALSE(load_state(folder.path(), plan).memory.first_start);

    std::filesystem::remove(folder / "state");
    std::filesystem::create_directory(folder / "state");
    CHECK(load_state(folder.path(), plan).memory.unreadable);
    CHECK(StateSlots{folder.path()}.save(plan, numbered(plan, 1)) != "");
}

TEST_CASE("saved and loaded again, by turns, and what fails is said") {
    const core::Plan plan = test::sample_plan();
    for (std::uint64_t saves = 1; saves <= 5; ++saves) {
        const test::TemporaryFolder folder;
        saved(folder, plan, saves);
        CAPTURE(saves);
        const StoredState back = load_state(folder.path(), plan);
        CHECK(back.memory == numbered(plan, saves).memory);
        CHECK(back.sequence == saves);
        // Another one goes on with the older slot.
        REQUIRE(StateSlots{folder.path()}.save(plan, numbered(plan, saves + 1)) == "");
        CHECK(load_state(folder.path(), plan).sequence == saves + 1);
        CHECK(load_state(folder.path(), plan).memory.trip_level == std::chrono::seconds{saves + 1});
    }
    const test::TemporaryFolder folder;
    CHECK(StateSlots{folder / "missing"}.save(plan, numbered(plan, 1)).find("can't create") != std::string::npos);
}

TEST_CASE("a save takes no room, makes no name, and leaves the other slot as it was") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder;
    StateSlots slots{folder.path()};
    REQUIRE(slots.save(plan, numbered(plan, 1)) == "");
    struct stat before {};
    REQUIRE(::stat((folder / "state").c_str(), &before) == 0);
    for (std::uint64_t sequence = 2; sequence < 6; ++sequence) {
        const std::string was = bytes_of(folder / "state");
        StoredState fullest = numbered(plan, sequence);
        fullest.memory.latched.assign(fullest.memory.latched.size(), 1);
        fullest.memory.unclean_level = core::Duration::max();
        REQUIRE(slots.save(plan, fullest) == "");
        const std::string is = bytes_of(folder / "state");
        const std::size_t half = was.size() / 2;
        REQUIRE(is.size() == was.size());
        CHECK((is.substr(0, half) == was.substr(0, half)) != (is.substr(half) == was.substr(half)));
        CHECK(load_state(folder.path(), plan).memory == fullest.memory);
    }
    struct stat after {};
    REQUIRE(::stat((folder / "state").c_str(), &after) == 0);
    CHECK(after.st_ino == before.st_ino);
    CHECK(after.st_blocks == before.st_blocks);
    CHECK(std::distance(std::filesystem::directory_iterator{folder.path()}, {}) == 1);
}

// What it says of the kernel's cache is no proof: after a failure the file reads as if it had been taken.
TEST_CASE("a save that the storage didn't take is made again in the same slot: the durable one stays") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder;
    StateSlots slots{folder.path()};
    REQUIRE(slots.save(plan, numbered(plan, 1)) == "");
    REQUIRE(slots.save(plan, numbered(plan, 2)) == "");
    const std::string durable = bytes_of(folder / "state");
    const std::size_t half = durable.size() / 2;
    const std::size_t place = durable.find("sequence 2\n") < half ? 0 : half;
    for (std::uint64_t sequence = 3; sequence <= 5; ++sequence) {
        storage_fails = true;
        const std::string text = slots.save(plan, numbered(plan, sequence));
        storage_fails = false;
        CHECK(text.starts_with("can't fsync " + (folder / "state")));
        CHECK(bytes_of(folder / "state").substr(place, half) == durable.substr(place, half));
    }
    REQUIRE(slots.save(plan, numbered(plan, 6)) == "");
    CHECK(bytes_of(folder / "state").substr(place, half) == durable.substr(place, half));
    CHECK(load_state(folder.path(), plan).sequence == 6);
    REQUIRE(slots.save(plan, numbered(plan, 7)) == "");
    CHECK(bytes_of(folder / "state").substr(place, half) != durable.substr(place, half));
    CHECK(load_state(folder.path(), plan).memory == numbered(plan, 7).memory);
}

TEST_CASE("a file that is larger than any state needs is not read, and made anew") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder;
    const std::string whole = saved(folder, plan, 3);
    const std::size_t half = whole.size() / 2;
    const auto stretched = [&](std::size_t slot) {
        const std::string zeros(slot - half, '\0');
        put(folder / "state", whole.substr(0, half) + zeros + whole.substr(half) + zeros);
    };
    stretched(256UL * 1024);
    CHECK_FALSE(load_state(folder.path(), plan).memory.unreadable);
    stretched(260UL * 1024);
    CHECK(load_state(folder.path(), plan).memory.unreadable);
    REQUIRE(StateSlots{folder.path()}.save(plan, numbered(plan, 4)) == "");
    CHECK(bytes_of(folder / "state").size() == 8192);
    const test::TemporaryFolder run;
    bool unsaved = true;
    put(run / "unsaved", std::string(256UL * 1024, '\0'));
    load_state(folder.path(), run.path(), plan, unsaved);
    CHECK_FALSE(unsaved);
    put(run / "unsaved", std::string(256UL * 1024 + 1, '\0'));
    load_state(folder.path(), run.path(), plan, unsaved);
    CHECK(unsaved);
}

TEST_CASE("no file stays open, and what is made is for the daemon's group to read") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder, run;
    const mode_t before_mask = ::umask(022);
    const auto before = open_files();
    {
        StateSlots slots{folder.path()};
        StateCopy copy{run.path()};
        for (std::uint64_t sequence = 1; sequence <= 3; ++sequence) {
            std::filesystem::remove(folder / "state");
            REQUIRE(slots.save(plan, numbered(plan, sequence)) == "");
            REQUIRE(slots.save(plan, numbered(plan, sequence)) == "");
            REQUIRE(copy.write(plan, numbered(plan, sequence)) == "");
            REQUIRE(formats::tell_saved(run.path(), sequence) == "");
        }
        CHECK(open_files() == before + 2);
    }
    CHECK(open_files() == before);
    ::umask(before_mask);
    for (const std::string& path : {folder / "state", run / "unsaved", run / "saved"}) {
        CAPTURE(path);
        CHECK(mode_of(path) == 0640);
    }
}

// Either slot may be the newer one, and what was lost with it may have been a latch.
TEST_CASE("one slot that is damaged: the other one's state, and latched") {
    const core::Plan plan = test::sample_plan();
    for (const std::uint64_t saves : {std::uint64_t{4}, std::uint64_t{5}}) {
        const test::TemporaryFolder folder;
        const std::string whole = saved(folder, plan, saves);
        const std::size_t half = whole.size() / 2;
        for (const std::size_t slot : {std::size_t{0}, half}) {
            for (const std::size_t place : {std::size_t{0}, std::size_t{20}, std::size_t{60}, half - 1}) {
                std::string damaged = whole;
                damaged[slot + place] = static_cast<char>(damaged[slot + place] ^ 4);
                put(folder / "state", damaged);
                CAPTURE(slot);
                CAPTURE(place);
                const StoredState back = load_state(folder.path(), plan);
                CHECK(back.memory.unreadable);
                CHECK(back.running);
                const bool newest_is_lost =
                    whole.substr(slot, half).find("sequence " + std::to_string(saves) + "\n") != std::string::npos;
                CHECK(back.sequence == (newest_is_lost ? saves - 1 : saves));
                CHECK(back.memory.trip_level == std::chrono::seconds{back.sequence});
                // The next save goes into the slot that is damaged, and all is well again.
                REQUIRE(StateSlots{folder.path()}.save(plan, numbered(plan, saves + 1)) == "");
                CHECK(load_state(folder.path(), plan).memory == numbered(plan, saves + 1).memory);
            }
        }
    }
}

TEST_CASE("cut at any byte, of another size, or twice the same number: unreadable") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder;
    const std::string whole = saved(folder, plan, 3);
    const std::size_t half = whole.size() / 2;
    for (std::size_t length = 0; length < whole.size(); length += length < 600 ? 7 : 97) {
        put(folder / "state", whole.substr(0, length));
        CAPTURE(length);
        CHECK(load_state(folder.path(), plan).memory.unreadable);
    }
    for (const std::string& other : {whole + whole, whole + std::string(half, '\0'), whole + "x",
                                     std::string(8192, '\0'), std::string(512UL * 1024 + 8192, '\0')}) {
        put(folder / "state", other);
        CHECK(load_state(folder.path(), plan).memory.unreadable);
        REQUIRE(StateSlots{folder.path()}.save(plan, numbered(plan, 9)) == "");  // made anew
        CHECK(load_state(folder.path(), plan).memory == numbered(plan, 9).memory);
    }
    StoredState other = numbered(plan, 3);
    other.memory.held_locally = true;
    std::string slot = to_text(plan, other);
    slot.resize(half, '\0');
    const bool first_is_newest = whole.find("sequence 3\n") < half;
    put(folder / "state", first_is_newest ? whole.substr(0, half) + slot : slot + whole.substr(half));
    CHECK(load_state(folder.path(), plan).memory.unreadable);
}

TEST_CASE("a file of version 1 is read, and the first save makes the slots") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder;
    put(folder / "state",
        "dekeyd-state 1\nrunning no\nfirst-start no\nunreadable no\nlocked-out no\nheld-locally yes\nheld-remotely no\n"
        "trip-level-ns 5\nunclean-level-ns 0\nlatched limit vswr\ncrc32 417c57f8\n");  // sum: state_file_test
    StoredState old = load_state(folder.path(), plan);
    CHECK_FALSE(old.memory.unreadable);
    CHECK(old.memory.held_locally);
    CHECK(old.memory.latched[test::vswr_limit]);
    CHECK(old.sequence == 0);
    ++old.sequence;
    REQUIRE(StateSlots{folder.path()}.save(plan, old) == "");
    CHECK(load_state(folder.path(), plan).memory == old.memory);
    CHECK(bytes_of(folder / "state").starts_with("dekeyd-state 2\n"));
}

TEST_CASE("the file is replaced or taken away while it is in use: the next save makes it anew") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder;
    StateSlots slots{folder.path()};
    REQUIRE(slots.save(plan, numbered(plan, 1)) == "");
    REQUIRE(slots.save(plan, numbered(plan, 2)) == "");
    std::filesystem::remove(folder / "state");
    REQUIRE(slots.save(plan, numbered(plan, 3)) == "");
    CHECK(load_state(folder.path(), plan).sequence == 3);
    put(folder / "other", "something else");
    std::filesystem::rename(folder / "other", folder / "state");
    REQUIRE(slots.save(plan, numbered(plan, 4)) == "");
    CHECK(load_state(folder.path(), plan).sequence == 4);
}

TEST_CASE("slots that are too small for the plan are made anew") {
    core::Plan small = test::sample_plan();
    const test::TemporaryFolder folder;
    saved(folder, small, 2);
    core::Plan large = small;
    while (large.limits.size() < 60) {
        core::LimitPlan limit = small.limits.front();
        limit.id = std::string(100, 'x') + std::to_string(large.limits.size());
        large.limits.push_back(limit);
    }
    StoredState state = numbered(large, 3);
    state.memory.latched.assign(state.memory.latched.size(), 1);
    REQUIRE(StateSlots{folder.path()}.save(large, state) == "");
    CHECK(bytes_of(folder / "state").size() > 8192);
    CHECK(load_state(folder.path(), large).memory == state.memory);
}

TEST_CASE("the run folder's copy: durable, it changes nothing; else the newest state stands, latched") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder, run;
    const auto load = [&](bool expected_unsaved) {
        bool unsaved = !expected_unsaved;
        const StoredState state = load_state(folder.path(), run.path(), plan, unsaved);
        CHECK(unsaved == expected_unsaved);
        CHECK(state.memory.unreadable == expected_unsaved);
        return state;
    };
    saved(folder, plan, 5);
    CHECK(load(false).memory == numbered(plan, 5).memory);  // no copy
    StateCopy copy{run.path()};
    REQUIRE(copy.prepare(plan) == "");
    CHECK(load(false).memory == numbered(plan, 5).memory);  // never written
    REQUIRE(formats::tell_saved(run.path(), 5) == "");
    for (const std::uint64_t sequence : {std::uint64_t{4}, std::uint64_t{5}}) {
        REQUIRE(copy.write(plan, numbered(plan, sequence)) == "");
        CHECK(load(false).memory == numbered(plan, 5).memory);
    }
    // In the file, but not known to be durable.
    REQUIRE(formats::tell_saved(run.path(), 4) == "");
    CHECK(load(true).memory.trip_level == std::chrono::seconds{5});
    CHECK(load(true).running);
    std::filesystem::remove(run / "saved");
    CHECK(load(true).sequence == 5);
    REQUIRE(formats::tell_saved(run.path(), 5) == "");

    StoredState newer = numbered(plan, 6);
    newer.memory.held_locally = true;
    REQUIRE(copy.write(plan, newer) == "");
    const StoredState back = load(true);
    CHECK(back.sequence == 6);
    CHECK(back.memory.held_locally);
    CHECK(back.running);
    SUBCASE("damaged: what the storage has, latched") {
        std::string bytes = bytes_of(run / "unsaved");
        bytes[40] = static_cast<char>(bytes[40] ^ 1);
        put(run / "unsaved", bytes);
        CHECK(load(true).sequence == 5);
    }
    SUBCASE("no state at all is a first start, whatever the copy has") {
        std::filesystem::remove(folder / "state");
        bool unsaved = true;
        CHECK(load_state(folder.path(), run.path(), plan, unsaved).memory.first_start);
        CHECK_FALSE(unsaved);
    }
    SUBCASE("another state folder, with smaller numbers: larger ones are given from here on") {
        REQUIRE(formats::tell_saved(run.path(), 9) == "");
        CHECK(load(false).sequence == 9);
        CHECK(load(false).memory == numbered(plan, 5).memory);
    }
}

TEST_CASE("a slot takes the fullest state to its last byte, and is no block larger than that needs") {
    core::Plan plan = test::sample_plan();
    const auto fullest = [&] {
        StoredState state = formats::blank_state(plan);
        state.sequence = std::numeric_limits<std::uint64_t>::max();
        state.running = true;
        state.memory.first_start = state.memory.unreadable = state.memory.locked_out = true;
        state.memory.held_locally = state.memory.held_remotely = true;
        state.memory.trip_level = state.memory.unclean_level = core::Duration::max();
        state.memory.latched.assign(state.memory.latched.size(), 1);
        state.notes.lockout = {.at_s = std::numeric_limits<std::int64_t>::max(), .synchronised = true};
        state.notes.local = state.notes.remote = state.notes.lockout;
        state.notes.local.reason = state.notes.remote.reason = std::string(formats::longest_reason, 'x');
        return state;
    };
    const auto size = [&] { return formats::to_text(plan, fullest()).size(); };
    REQUIRE(size() < 4000);
    plan.limits.front().id.append(4096 - size(), 'x');
    for (const std::size_t blocks : {1U, 2U}) {
        CAPTURE(blocks);
        REQUIRE(size() == 4095 + blocks);
        const test::TemporaryFolder folder, run;
        StateSlots slots{folder.path()};
        REQUIRE(slots.save(plan, numbered(plan, 1)) == "");
        CHECK(bytes_of(folder / "state").size() == 2 * 4096 * blocks);
        for (int i = 0; i < 2; ++i) {  // into either slot
            REQUIRE(slots.save(plan, fullest()) == "");
            CHECK(bytes_of(folder / "state").size() == 2 * 4096 * blocks);
        }
        CHECK(load_state(folder.path(), plan).memory == fullest().memory);
        CHECK(load_state(folder.path(), plan).sequence == fullest().sequence);
        StateCopy copy{run.path()};
        REQUIRE(copy.prepare(plan) == "");
        CHECK(bytes_of(run / "unsaved").size() == 4096 * blocks);
        REQUIRE(copy.write(plan, fullest()) == "");
        CHECK(bytes_of(run / "unsaved").size() == 4096 * blocks);
        plan.limits.front().id += 'x';
    }
}

TEST_CASE("a copy that lies there already is used as it is, and grows only where it is too small") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder run;
    put(run / "unsaved", std::string(100, '\0'));
    REQUIRE(StateCopy{run.path()}.prepare(plan) == "");
    CHECK(bytes_of(run / "unsaved") == std::string(4096, '\0'));
    put(run / "unsaved", std::string(9000, 'y'));
    StateCopy copy{run.path()};
    REQUIRE(copy.prepare(plan) == "");
    CHECK(bytes_of(run / "unsaved") == std::string(9000, 'y'));
    REQUIRE(copy.write(plan, numbered(plan, 3)) == "");
    CHECK(bytes_of(run / "unsaved").size() == 9000);
    CHECK(bytes_of(run / "unsaved").find("yy") == std::string::npos);
}

TEST_CASE("what stands in the copy's place is said, and so is what stands in the place of the number that is saved") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder run;
    std::filesystem::create_directory(run / "unsaved");
    std::filesystem::create_directory(run / "saved");
    CHECK(StateCopy{run.path()}.prepare(plan).find("can't open") == 0);
    CHECK(StateCopy{run.path()}.write(plan, numbered(plan, 1)).find("can't open") == 0);
    CHECK(formats::tell_saved(run.path(), 1).find("can't open") == 0);
}

TEST_CASE("the number that is saved is twenty digits and the line's end; anything else saved nothing") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder, run;
    saved(folder, plan, 5);
    REQUIRE(StateCopy{run.path()}.write(plan, numbered(plan, 5)) == "");
    REQUIRE(formats::tell_saved(run.path(), 5) == "");
    CHECK(bytes_of(run / "saved") == "00000000000000000005\n");
    const auto unsaved = [&](const std::string& text) {
        put(run / "saved", text);
        bool result = false;
        load_state(folder.path(), run.path(), plan, result);
        return result;
    };
    CHECK_FALSE(unsaved("00000000000000000005\n"));
    CHECK(unsaved("000000000000000000005\n"));
    CHECK(unsaved("00000000000000000004\n"));
    for (const char* text : {"", "\n", "5", "5x", "5\n\n", "5 \n", "-5\n", "x\n", "99999999999999999999\n"}) {
        CAPTURE(text);
        CHECK(unsaved(text));
    }
}

TEST_CASE("where nothing says what was saved, the first state's copy counts as unsaved, too") {
    const core::Plan plan = test::sample_plan();
    const test::TemporaryFolder folder, run;
    saved(folder, plan, 1);
    REQUIRE(StateCopy{run.path()}.write(plan, numbered(plan, 1)) == "");
    for (const char* text : {"", "\n", "x\n", "1"}) {
        CAPTURE(text);
        put(run / "saved", text);
        bool unsaved = false;
        CHECK(load_state(folder.path(), run.path(), plan, unsaved).memory.unreadable);
        CHECK(unsaved);
    }
}
