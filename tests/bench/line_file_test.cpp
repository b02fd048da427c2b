#include "bench/line_file.hpp"

#include <doctest/doctest.h>

#include "temporary.hpp"

using namespace bench;

namespace {

void put(const std::filesystem::path& path, const char* text) {
    std::ofstream(path) << text;
}

/// A replaced file is found again within so many polls.
bool settled(LineFile& line) {
    for (int i = 0; i < 25; ++i) line.permits();
    return line.permits();
}

}  // namespace

TEST_CASE("only a first byte 1 permits") {
    const TemporaryFolder folder;
    const auto path = folder.path / "line";
    LineFile line(path.string());
    CHECK_FALSE(line.permits());  // not there yet
    put(path, "1\n");
    CHECK(line.permits());
    for (const char* text : {"0\n", "", " 1", "yes", "\n1"}) {
        put(path, text);
        CHECK_FALSE(line.permits());
    }
    put(path, "1");
    CHECK(line.permits());
}

TEST_CASE("a removed or replaced file doesn't go on permitting") {
    const TemporaryFolder folder;
    const auto path = folder.path / "line";
    put(path, "1");
    LineFile line(path.string());
    CHECK(line.permits());
    std::filesystem::remove(path);
    CHECK_FALSE(settled(line));
    put(path, "1");
    CHECK(settled(line));
    put(folder.path / "other", "0");
    std::filesystem::rename(folder.path / "other", path);
    CHECK_FALSE(settled(line));
    std::filesystem::remove(path);
    std::filesystem::create_directory(path);
    CHECK_FALSE(settled(line));
}
