#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "store/captures/store.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;

namespace {

void write(const std::string& path, const std::string& text) {
    std::ofstream{path, std::ios::binary} << text;
}

}  // namespace

TEST_CASE("each capture on the disk with its time, cause and size; what is none has a name and a size") {
    const test::TemporaryFolder folder;
    CHECK(formats::capture_list(folder.path() + "/nothing", 9) == "[]");
    const std::string top =
        "# dekeyd-capture 3\n# id: hilltop\n# cause: VSWR too high \"2.4\"\n# origin-utc: 2026-03-01T07:08:09.123Z\n";
    write(folder.path() + "/000002-b.csv",
          top + "# cause-step: 7\n" + std::string(5000, 'x') + "\n# cause: none of this\n");
    write(folder.path() + "/000010-c.csv", "nothing that is known");
    write(folder.path() + "/000001-a.csv", "# cause: \r\n# origin-utc: x\r\n");
    write(folder.path() + "/notes.csv", top);
    const auto all = nlohmann::json::parse(formats::capture_list(folder.path(), 9));
    REQUIRE(all.size() == 3);
    CHECK(all[0]["name"] == "000001-a.csv");
    CHECK(all[0]["cause"] == "");
    CHECK(all[0]["wall"] == "x");
    CHECK(all[1]["wall"] == "2026-03-01T07:08:09.123Z");
    CHECK(all[1]["cause"] == "VSWR too high \"2.4\"");
    CHECK(all[1]["size"] == top.size() + 16 + 5000 + 23);
    CHECK(all[2]["cause"] == "");
    CHECK(all[2]["size"] == 21);
    const auto newest = nlohmann::json::parse(formats::capture_list(folder.path(), 2));
    REQUIRE(newest.size() == 2);
    CHECK(newest[0]["name"] == "000002-b.csv");
}

TEST_CASE("a capture in parts of whole lines; nothing else of the machine by any name") {
    const test::TemporaryFolder folder;
    std::string text;
    for (int i = 0; i < 400; ++i) text += "row " + std::to_string(i) + " \xc2\xb0\n";
    write(folder.path() + "/000007-2026-Z-vswr.csv", text);
    write(folder.path() + "/secret.csv", "secret");
    std::filesystem::create_symlink(folder.path() + "/secret.csv", folder.path() + "/000008-link.csv");
    std::filesystem::create_directory(folder.path() + "/000009-folder.csv");
    std::string got;
    std::size_t parts = 0;
    while (true) {
        const formats::CapturePart part =
            formats::capture_part(folder.path(), "000007-2026-Z-vswr.csv", got.size(), 1000);
        CHECK(part.error.empty());
        CHECK(part.size == text.size());
        CHECK(part.offset == got.size());
        if (part.text.empty()) break;
        CHECK(part.text.size() <= 1000);
        CHECK(part.text.back() == '\n');
        got += part.text;
        ++parts;
    }
    CHECK(got == text);
    CHECK(parts >= 5);
    for (const char* const name : {"secret.csv", "../000007-2026-Z-vswr.csv", "000008-link.csv", "000009-folder.csv",
                                   "000010-none.csv", "", ".csv", "7-/../secret.csv", "000007-2026-Z-vswr.csv\n"}) {
        CAPTURE(name);
        const formats::CapturePart part = formats::capture_part(folder.path(), name, 0, 1000);
        CHECK_FALSE(part.error.empty());
        CHECK(part.text.empty());
    }
    CHECK(formats::capture_part(folder.path(), "000007-2026-Z-vswr.csv", ~std::uint64_t{0}, 1000).text.empty());
}
