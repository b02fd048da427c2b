// A number for people has one text: figures.json has it, and the page's own test reads the same file.
#include <doctest/doctest.h>

#include <algorithm>
#include <fstream>
#include <nlohmann/json.hpp>

#include "words/figures.hpp"
#include "words/unit_table.hpp"

namespace {

using namespace dekeyd;

TEST_CASE("numbers with their units") {
    std::ifstream in{DEKEYD_SOURCE_DIR "/tests/agree/figures.json"};
    const auto rows = nlohmann::json::parse(in);
    REQUIRE(rows.size() > 30);
    for (const formats::UnitRow& unit : formats::unit_rows) {
        CAPTURE(core::symbol(unit.unit));
        CHECK(
            std::any_of(rows.begin(), rows.end(), [&](const auto& row) { return row[1] == core::symbol(unit.unit); }));
    }
    for (const auto& row : rows) {
        CAPTURE(row.dump());
        CHECK(formats::with_unit(row[0].get<double>(), row[1].get<std::string>()) == row[2].get<std::string>());
    }
}

}  // namespace
