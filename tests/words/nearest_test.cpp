#include "words/nearest.hpp"

#include <doctest/doctest.h>

#include <array>
#include <string>

using namespace dekeyd::formats;

TEST_CASE("the distance counts insertions, deletions, replacements and swaps of neighbours") {
    CHECK(edit_distance("", "") == 0);
    CHECK(edit_distance("above", "above") == 0);
    CHECK(edit_distance("abve", "above") == 1);
    CHECK(edit_distance("abouve", "above") == 1);
    CHECK(edit_distance("abova", "above") == 1);
    CHECK(edit_distance("abvoe", "above") == 1);
    CHECK(edit_distance("", "abc") == 3);
    CHECK(edit_distance("kitten", "sitting") == 3);  // the textbooks' example
}

TEST_CASE("a near word is found, a far one is not") {
    constexpr std::array<std::string_view, 5> words{"allowed_age", "address", "measures", "role", "bus"};
    CHECK(nearest("alowed_age", words) == "allowed_age");
    CHECK(nearest("allowed-age", words) == "allowed_age");
    CHECK(nearest("AllowedAge", words) == "allowed_age");
    CHECK(nearest("adress", words) == "address");
    CHECK(nearest("rôle", words) == std::nullopt);  // two bytes differ in a word of four
    CHECK(nearest("roles", words) == "role");
    CHECK(nearest("b", words) == std::nullopt);
    CHECK(nearest("frequency", words) == std::nullopt);
    CHECK(nearest("x", {}) == std::nullopt);
}

TEST_CASE("words of any length are compared in bounded room") {
    const std::string huge(100000, 'a');
    CHECK(edit_distance(huge, "a") == 63);
    CHECK(edit_distance(huge, huge) == 0);
}
