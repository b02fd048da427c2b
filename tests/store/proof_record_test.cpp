// daemon/store/proof_record.cpp
#include "store/proof_record.hpp"

#include <doctest/doctest.h>

#include <fstream>

#include "temporary_folder.hpp"

using namespace dekeyd::formats;
using namespace std::chrono_literals;

TEST_CASE("the date goes to the file and back; anything else is no date") {
    const std::string text = proof_text(1'795'000'000);
    CHECK(text.starts_with("dekeyd-proof 1\npassed 1795000000\ncrc32 "));
    CHECK(proof_from_text(text) == 1'795'000'000);
    CHECK_FALSE(proof_from_text(""));
    CHECK_FALSE(proof_from_text(text + "x"));
    CHECK_FALSE(proof_from_text(proof_text(0)));
    CHECK_FALSE(proof_from_text(proof_text(-5)));
    for (std::size_t i = 0; i < text.size(); ++i) {
        std::string damaged = text;
        damaged[i] = static_cast<char>(damaged[i] ^ 1);
        CHECK_FALSE(proof_from_text(damaged));
        CHECK_FALSE(proof_from_text(text.substr(0, i)));
    }
}

TEST_CASE("the folder") {
    const dekeyd::test::TemporaryFolder folder;
    CHECK(load_proof(folder.path()) == 0);
    CHECK(save_proof(folder.path(), 1'795'000'000).empty());
    CHECK(load_proof(folder.path()) == 1'795'000'000);
    std::ofstream{folder.path() + "/proof"} << "dekeyd-proof 1\n";
    CHECK(load_proof(folder.path()) == 0);
    CHECK_FALSE(save_proof(folder.path() + "/absent", 5).empty());
}

// 1795000000 is 2026-11-18T11:06:40Z by date(1).
TEST_CASE("overdue only by a clock that somebody has set, and what never was is overdue at once") {
    const std::int64_t passed = 1'795'000'000;
    const auto at = [&](std::int64_t days, bool good) {
        return WallStamp{std::chrono::seconds{passed + days * 86'400}, good};
    };
    CHECK_FALSE(proof_status(0, std::nullopt, at(0, true)).overdue);
    CHECK(proof_status(0, 2160h, at(0, false)).overdue);
    const ProofStatus good = proof_status(passed, 2160h, at(89, true));
    CHECK_FALSE(good.overdue);
    CHECK(good.last == "2026-11-18T11:06:40.000Z");
    CHECK(good.words == "Proof test passed on 2026-11-18; the next is due on 2027-02-16.");
    CHECK(proof_status(passed, 2160h, at(90, true)).overdue);
    CHECK_FALSE(proof_status(passed, 2160h, at(91, false)).overdue);
    CHECK_FALSE(proof_status(passed, std::nullopt, at(9999, true)).overdue);
    CHECK(proof_status(passed, 2160h, at(91, true)).words ==
          "Overdue: proof test passed on 2026-11-18; the next was due on 2027-02-16.");
}
