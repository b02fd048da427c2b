#include "base/durable_file.hpp"

#include <doctest/doctest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>
#include <iterator>

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

TEST_CASE(
    "a file and a folder of ours are nobody else's; a folder that is there is no failure, and one without a parent "
    "is") {
    const test::TemporaryFolder folder;
    const auto mode = [](const std::string& path) {
        struct stat is {};
        REQUIRE(::stat(path.c_str(), &is) == 0);
        return is.st_mode & 07777;
    };
    const mode_t before = ::umask(0);
    CHECK(formats::make_folder(folder / "made") == "");
    CHECK(write_durably(folder / "made/file", "x") == "");
    ::umask(before);
    CHECK(mode(folder / "made") == 0750);
    CHECK(mode(folder / "made/file") == 0640);
    CHECK(formats::make_folder(folder / "made") == "");
    CHECK(formats::make_folder(folder / "missing/made").find("can't create") == 0);
}

TEST_CASE("what the kernel refuses is told by its number; a folder that knows no fsync is none of it") {
    CHECK(formats::sync_folder("/proc") == "");  // fsync(2): EINVAL
    CHECK(formats::sync_folder("/dev/null").find("can't open folder") == 0);
    const test::TemporaryFolder folder;
    CHECK(formats::sync_file(-1) == EBADF);
    CHECK(formats::write_at(-1, "x", 0) == EBADF);
    CHECK(read_whole("/proc/self/mem", 10).error == EIO);  // nothing is mapped at 0
}

TEST_CASE("no descriptor is left behind") {
    const test::TemporaryFolder folder;
    const auto open_now = [] {
        return std::distance(std::filesystem::directory_iterator{"/proc/self/fd"},
                             std::filesystem::directory_iterator{});
    };
    const auto before = open_now();
    CHECK(write_durably(folder / "file", "x") == "");
    CHECK(read_whole(folder / "file", 10).ok());
    CHECK(formats::sync_folder(folder.path()) == "");
    CHECK(open_now() == before);
}
