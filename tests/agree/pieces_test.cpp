// A piece of the past as it is left at the broker: pieces.json has it, and the page's own test reads the same file.
#include <doctest/doctest.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "messages/thinned.hpp"

using namespace dekeyd::formats;

TEST_CASE("a piece is written as the page reads it") {
    std::ifstream in{DEKEYD_SOURCE_DIR "/tests/agree/pieces.json"};
    const auto file = nlohmann::json::parse(in);
    PieceGatherer gatherer{{"hour", 1, 60, 60, 4}, {"heatsink", "forward", "never-known", "permit"}};
    for (const auto& look : file["looks"]) {
        const std::array values{look["heatsink"].get<double>(), look["forward"].get<double>(), PieceGatherer::unknown,
                                look["permit"].get<double>()};
        gatherer.add(look["at"], values);
    }
    const auto piece = gatherer.due();
    REQUIRE(piece);
    CHECK(nlohmann::json::parse(piece->text) == file["piece"]);
}
