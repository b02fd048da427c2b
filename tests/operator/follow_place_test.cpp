#include "dekeyctl/follow/place_file.hpp"

#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>

#include "dekeyctl/follow/command.hpp"
#include "dekeyctl/follow/follow.hpp"
#include "eventually.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace dekeyd::ctl;
using namespace std::chrono_literals;

TEST_CASE("follow: the place's text comes back, and a damaged one doesn't") {
    for (const KeptPlace& kept :
         {KeptPlace{}, KeptPlace{Place{"00ab", 17}, true}, KeptPlace{Place{"00ab", 0}, false}}) {
        const std::string text = to_text(kept);
        const auto found = place_from_text(text);
        REQUIRE(found);
        CHECK(*found == kept);
        for (std::size_t i = 0; i < text.size(); ++i) {
            std::string damaged = text;
            damaged[i] = static_cast<char>(damaged[i] ^ 1);
            CHECK_FALSE(place_from_text(damaged));
            CHECK_FALSE(place_from_text(text.substr(0, i)));
        }
    }
}

TEST_CASE("follow: what was saved is found by the next one") {
    const test::TemporaryFolder folder;
    const std::string path = folder / "place";
    {
        PlaceFile file{path};
        CHECK_FALSE(file.was_there());
        file.save({Place{"00ab", 17}, false});
        file.save({Place{"00ab", 18}, true});
        CHECK(file.stop(10s));
    }
    const PlaceFile next{path};
    CHECK(next.damage().empty());
    CHECK(next.found() == KeptPlace{Place{"00ab", 18}, true});
}

TEST_CASE("follow: a place that can't be kept is said, and one that is damaged isn't used") {
    const test::TemporaryFolder folder;
    PlaceFile file{folder / "absent/place"};
    file.save({Place{"00ab", 17}, false});
    std::optional<std::string> tried;
    CHECK(test::eventually([&] { return (tried = file.last_try()).has_value(); }));
    CHECK(tried.value_or("").find("absent/place") != std::string::npos);
    std::ofstream{folder / "other"} << "something else\n";
    const PlaceFile other{folder / "other"};
    CHECK(other.was_there());
    CHECK(other.damage().find("was not written by 'dekeyctl follow'") != std::string::npos);
    CHECK_FALSE(other.found().place);
}

TEST_CASE("follow: the pause doubles up to 5 min") {
    CHECK(pause_after(1) == 250ms);
    CHECK(pause_after(2) == 500ms);
    CHECK(pause_after(11) == 256s);
    CHECK(pause_after(12) == 300s);
    CHECK(pause_after(4'000'000'000U) == 300s);
}

TEST_CASE("follow: all words behind --run are the command's") {
    std::vector<std::string> command;
    const auto left =
        without_command({"dekeyctl", "--run", "/run/x", "follow", "--json", "--run", "tell", "--json", "-x"}, command);
    CHECK(std::vector<std::string>(left.begin(), left.end()) ==
          std::vector<std::string>{"dekeyctl", "--run", "/run/x", "follow", "--json", "--run", "tell"});
    CHECK(command == std::vector<std::string>{"tell", "--json", "-x"});
    command.clear();
    CHECK(without_command({"dekeyctl", "status", "--run", "/run/x"}, command).size() == 4);
    CHECK(without_command({"dekeyctl", "follow", "--run"}, command).size() == 3);
    CHECK(command.empty());
}

TEST_CASE("follow: what is no command is told what it is") {
    const test::TemporaryFolder folder;
    std::ofstream{folder / "text"} << "x";
    CHECK_THROWS_WITH_AS(program_path(folder.path()), doctest::Contains(("'dekeyctl --run " + folder.path()).c_str()),
                         std::runtime_error);
    CHECK_THROWS_WITH_AS(program_path(folder / "text"), doctest::Contains("may not be executed"), std::runtime_error);
    CHECK_THROWS_WITH_AS(program_path(folder / "none"), doctest::Contains("No such file"), std::runtime_error);
    CHECK_THROWS_WITH_AS(program_path("no-such-command-here"), doctest::Contains("in PATH"), std::runtime_error);
    CHECK(std::filesystem::exists(program_path("sh")));
}

TEST_CASE("follow: a command gets its input, its variables, and no shell") {
    const test::TemporaryFolder folder;
    const std::string out = folder / "out";
    EventCommand command{
        {"sh", "-c", "cat >\"$0\"; printf '%s|%s' \"$DEKEYD_EVENT_KIND\" \"$1\" >>\"$0\"; exit 3", out, "$(id) *"}};
    REQUIRE(command.start("the line\n", {{"DEKEYD_EVENT_KIND", "held $HOME"}}).empty());
    std::optional<int> status;
    CHECK(test::eventually([&] { return (status = command.ended()).has_value(); }));
    CHECK(end_in_words(*status) == "ended with exit code 3");
    std::ifstream in{out};
    std::string text{std::istreambuf_iterator<char>{in}, {}};
    CHECK(text == "the line\nheld $HOME|$(id) *");
}

TEST_CASE("follow: a command is killed with its group") {
    const test::TemporaryFolder folder;
    EventCommand command{{"sh", "-c", "sleep 1000 & echo $! >\"$0\"; mv \"$0\" \"$0.whole\"; wait", folder / "child"}};
    REQUIRE(command.start("", {}).empty());
    CHECK(test::eventually([&] { return std::filesystem::exists(folder / "child.whole"); }));
    CHECK_FALSE(command.ended());
    command.kill();
    std::optional<int> status;
    CHECK(test::eventually([&] { return (status = command.ended()).has_value(); }));
    CHECK(end_in_words(*status) == "was ended by signal 9 (Killed)");
    int child = 0;
    std::ifstream{folder / "child.whole"} >> child;
    REQUIRE(child > 0);
    // Gone, or a zombie that is nobody's business.
    CHECK(test::eventually([&] {
        std::ifstream stat{"/proc/" + std::to_string(child) + "/stat"};
        std::string number, name, state;
        return !(stat >> number >> name >> state) || state == "Z";
    }));
}
