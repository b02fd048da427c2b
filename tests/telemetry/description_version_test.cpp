#include "telemetry/published/description_version.hpp"

#include <doctest/doctest.h>

#include <fstream>

#include "temporary_folder.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

TEST_CASE("the version stays with its document and rises with another") {
    const test::TemporaryFolder folder;
    const formats::WallStamp first{1000s, true};
    CHECK(description_version(folder.path(), "one", first) == 1000);
    CHECK(description_version(folder.path(), "one", {2000s, true}) == 1000);
    CHECK(description_version(folder.path(), "two", {2000s, true}) == 2000);
    // A clock that starts in 1970 doesn't take it back.
    CHECK(description_version(folder.path(), "three", {5s, false}) == 2001);
    CHECK(description_version(folder.path(), "three", {0s, false}) == 2001);
}

TEST_CASE("a damaged or missing memory begins with the time") {
    const test::TemporaryFolder folder;
    for (const char* text : {"", "1000", "1000 0123456", "1000 zzzzzzzz\n", "-4 01234567\n", "x"}) {
        std::ofstream{folder / "description"} << text;
        CHECK(description_version(folder.path(), "one", {3000s, true}) == 3000);
    }
    CHECK(description_version(folder / "missing", "one", {0s, false}) == 1);
}
