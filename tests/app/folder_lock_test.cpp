#include "base/folder_lock.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <string>

#include "temporary_folder.hpp"

using namespace dekeyd;
using Taken = FolderLock::Taken;

TEST_CASE("a folder is one holder's, who says who it is") {
    const test::TemporaryFolder folder, other;
    FolderLock first, second, third;
    REQUIRE(first.lock(folder.path()) == Taken::yes);
    CHECK(second.lock(folder.path()) == Taken::by_another);
    CHECK(second.trouble() == folder.path() + " is in use by another process");
    first.tell_who();
    CHECK(second.lock(folder.path()) == Taken::by_another);
    CHECK(second.trouble() == folder.path() + " is in use by process " + std::to_string(::getpid()));
    CHECK(third.lock(other.path()) == Taken::yes);
}

TEST_CASE("a number that is left over from one who is gone is not said") {
    const test::TemporaryFolder folder;
    { std::ofstream{folder / "lock"} << "999999999\n"; }
    FolderLock first, second;
    REQUIRE(first.lock(folder.path()) == Taken::yes);
    CHECK(second.lock(folder.path()) == Taken::by_another);
    CHECK(second.trouble().ends_with("another process"));
    first.tell_who();
    CHECK(std::filesystem::file_size(folder / "lock") == std::to_string(::getpid()).size() + 1);
}

TEST_CASE("what can't be locked is told, and nothing is made of a folder that isn't there") {
    const test::TemporaryFolder folder;
    FolderLock lock;
    CHECK(lock.lock(folder / "none") == Taken::no);
    CHECK(lock.trouble().find("none/lock: No such file or directory; create the folder") != std::string::npos);
    CHECK_FALSE(std::filesystem::exists(folder / "none"));
}

TEST_CASE("a lock's file that may only be read is locked all the same") {
    const test::TemporaryFolder folder;
    { std::ofstream{folder / "lock"} << "1\n"; }
    REQUIRE(::chmod((folder / "lock").c_str(), 0400) == 0);
    FolderLock first, second;
    CHECK(first.lock(folder.path()) == Taken::yes);
    CHECK(second.lock(folder.path()) == Taken::by_another);
    CHECK(second.trouble() == folder.path() + " is in use by process 1");
}
