#include "formats/durable_file.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <filesystem>

#include "temporary_folder.hpp"

using namespace dekeyd;
using formats::read_whole;
using formats::write_durably;

TEST_CASE("a file is replaced whole and nothing is left beside it") {
    const test::TemporaryFolder folder;
    const std::string path = folder / "state";
    CHECK(write_durably(path, "first") == "");
    CHECK(read_whole(path, 100).bytes == "first");
    const std::string large(100'000, 'x');
    CHECK(write_durably(path, large) == "");
    CHECK(read_whole(path, 100'000).bytes == large);
    CHECK_FALSE(std::filesystem::exists(path + ".new"));
}

TEST_CASE("what a crash left beside the file is written over") {
    const test::TemporaryFolder folder;
    const std::string path = folder / "state";
    CHECK(write_durably(path + ".new", "a long torn rest of an earlier write") == "");
    CHECK(write_durably(path, "new") == "");
    CHECK(read_whole(path, 100).bytes == "new");
}

TEST_CASE("a failure says what, where, why and how to mend it, and keeps the old file") {
    const test::TemporaryFolder folder;
    const std::string no_folder = write_durably(folder / "missing/state", "x");
    CHECK(no_folder.find("can't create") != std::string::npos);
    CHECK(no_folder.find(folder / "missing/state.new") != std::string::npos);
    CHECK(no_folder.find("create the folder") != std::string::npos);

    const std::string path = folder / "state";
    CHECK(write_durably(path, "old") == "");
    std::filesystem::create_directory(path + ".new");  // stands in the way
    CHECK(write_durably(path, "new") != "");
    CHECK(read_whole(path, 100).bytes == "old");
}

TEST_CASE("a file written by hand keeps its mode, and must be there") {
    const test::TemporaryFolder folder;
    const std::string path = folder / "dekeyd.yaml";
    CHECK(write_durably(path, "new", formats::Access::as_it_was).find("can't look at") != std::string::npos);
    CHECK_FALSE(std::filesystem::exists(path));
    CHECK(write_durably(path, "old") == "");
    REQUIRE(::chmod(path.c_str(), 0604) == 0);
    CHECK(write_durably(path, "new", formats::Access::as_it_was) == "");
    CHECK(read_whole(path, 100).bytes == "new");
    struct stat is {};
    REQUIRE(::stat(path.c_str(), &is) == 0);
    CHECK((is.st_mode & 07777) == 0604);
}

TEST_CASE("a full storage is said and leaves no half of a file") {
    if (!std::filesystem::exists("/dev/full")) return;
    const test::TemporaryFolder folder;
    const std::string path = folder / "state";
    CHECK(write_durably(path, "old") == "");
    // A link where the new file would be written is not followed.
    std::filesystem::create_symlink("/dev/full", path + ".new");
    CHECK(write_durably(path, "new") != "");
    CHECK(read_whole(path, 100).bytes == "old");
}

TEST_CASE("reading says what is wrong") {
    const test::TemporaryFolder folder;
    CHECK(read_whole(folder / "nothing", 10).error == ENOENT);
    CHECK(read_whole(folder.path(), 10).error == EISDIR);
    CHECK(write_durably(folder / "eleven", "12345678901") == "");
    CHECK(read_whole(folder / "eleven", 10).too_large);
    CHECK(read_whole(folder / "eleven", 10).bytes.empty());
    CHECK(read_whole(folder / "eleven", 11).ok());
    // A pipe with nobody at the other end must not hang the reader.
    REQUIRE(::mkfifo((folder / "pipe").c_str(), 0600) == 0);
    CHECK_FALSE(read_whole(folder / "pipe", 10).ok());
}
