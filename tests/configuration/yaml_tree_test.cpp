// The harmless part of YAML, and everything else refused with its place.
#include "configuration/yaml_tree.hpp"

#include <doctest/doctest.h>

#include <chrono>

#include "expect_faults.hpp"

using namespace dekeyd::formats;

namespace {

void expect_tree_faults(std::string_view text, const std::vector<ExpectedFault>& expected) {
    Loaded loaded;
    loaded.faults = read_tree(text).faults;
    if (loaded.faults.empty()) loaded.configuration.emplace();
    expect_faults(loaded, expected);
}

}  // namespace

TEST_CASE("maps, lists and values keep their places") {
    const Tree tree = read_tree("a: 1\nb:\n  - x\n  - {c: 'two words'}\nd:\n");
    REQUIRE(tree.faults.empty());
    REQUIRE(tree.root);
    REQUIRE(tree.root->kind == Node::Kind::map);
    REQUIRE(tree.root->entries.size() == 3);
    const Entry& b = tree.root->entries[1];
    CHECK(b.key == "b");
    CHECK(b.place.line == 2);
    CHECK(b.place.column == 1);
    REQUIRE(b.value.items.size() == 2);
    CHECK(b.value.items[0].place.line == 3);
    CHECK(b.value.items[0].place.column == 5);
    CHECK(b.value.items[1].entries[0].value.text == "two words");
    CHECK(tree.root->entries[2].value.kind == Node::Kind::null);
}

TEST_CASE("an empty text is an empty tree") {
    const Tree tree = read_tree("");
    CHECK(tree.faults.empty());
    REQUIRE(tree.root);
    CHECK(tree.root->kind == Node::Kind::null);
}

TEST_CASE("duplicate keys are refused wherever they are, and the first one counts") {
    expect_tree_faults("a: 1\nb: {c: 1, d: 2, c: 3}\na: 2\n",
                       {{2, "", "'c' is here for the second time"}, {3, "", "'a' is here for the second time"}});
    const Tree tree = read_tree("a: 1\na: 2\n");
    CHECK(tree.root->entries[0].value.text == "1");
    CHECK(tree.faults[0].expected.find("line 1") != std::string::npos);
}

TEST_CASE("what YAML has beyond plain maps, lists and words is refused") {
    expect_tree_faults("a: &x 1\nb: *x\n", {{1, "", "an anchor"}, {2, "", "an alias"}});
    expect_tree_faults("a: !!str 1\n", {{1, "", "a tag"}});
    expect_tree_faults("a: !python/object 1\n", {{1, "", "a tag"}});
    expect_tree_faults("<<: {a: 1}\n", {{1, "", "a merge key"}});
    expect_tree_faults("a: 1\n---\nb: 2\n", {{2, "", "a second document"}});
    expect_tree_faults("? [a, b]\n: 1\n", {{1, "", "a key that is not a word"}});
    expect_tree_faults("a: *nowhere\n", {{1, "", "not YAML: the referenced anchor is not defined"}});
    expect_tree_faults("a: {b: 1\n", {{1, "", "not YAML: '{' is not closed before line 2"}});
}

TEST_CASE("the fault is told where it is, not where the library stopped") {
    expect_tree_faults("a: 1\nb 2  # two\n\n# three\nc: 3\n",
                       {{2, "", "not YAML: this line has no ': ' after its key"}});
    expect_tree_faults("a:\n  b: [1, 2\n  c: 3\nd: 4\n", {{2, "", "not YAML: '[' is not closed before line 3"}});
    expect_tree_faults("a: {b: '}', c: 1\nd: 4\n", {{1, "", "not YAML: '{' is not closed before line 2"}});
    // There it is on the library's own line.
    expect_tree_faults("a: 1\n  b: 2\n", {{2, "", "not YAML: illegal map value"}});
    expect_tree_faults("a: b: 2\n", {{1, "", "not YAML: illegal map value"}});
}

TEST_CASE("a quote ends on its line") {
    expect_tree_faults("a: 'b\n", {{1, "", "a quote that is not closed"}});
    expect_tree_faults("a: 'b\nc: 'd'\n", {{1, "", "a quote that is not closed"}});
    expect_tree_faults("a: \"b\nc: 1\n", {{1, "", "a quote that is not closed"}});
    expect_tree_faults("a: \"b\\\"\n", {{1, "", "a quote that is not closed"}});
    expect_tree_faults("a: 'it''s'\nb: \"say \\\"x\\\"\"\nc: don't\n'd': 1\n", {});
}

TEST_CASE("an editor's mark of UTF-8 is no text") {
    const Tree tree = read_tree(
        "\xef\xbb\xbf"
        "a: 'b'\n");
    CHECK(tree.faults.empty());
    REQUIRE(tree.root);
    CHECK(tree.root->entries[0].key == "a");
    CHECK(tree.root->entries[0].place.column == 1);
}

TEST_CASE("a section's keys are bounded in number") {
    std::string text;
    for (int i = 0; i < 1001; ++i) text += fmt::format("k{}: 1\n", i);
    expect_tree_faults(text, {{1001, "", "a section with more than 1000 keys"}});
}

TEST_CASE("tabs are refused outside comments, once a line") {
    expect_tree_faults("a:\n\tb: 1\n\t\tc: 2\n", {{2, "", "a tab"}, {3, "", "a tab"}});
    expect_tree_faults("a: 1 #\tcomment\n", {});
}

TEST_CASE("bytes that are not text are refused at their place") {
    using namespace std::string_view_literals;
    expect_tree_faults("a: 1\nb: \0\n"sv, {{2, "", "byte 0x00 is not text"}});
    expect_tree_faults("a: \x7f\n", {{1, "", "byte 0x7f is not text"}});
    expect_tree_faults("a: \x1b[31m\n", {{1, "", "byte 0x1b is not text"}});
    expect_tree_faults(
        "\x7f"
        "ELF",
        {{1, "", "byte 0x7f is not text"}});
    expect_tree_faults("a: \xff\n", {{1, "", "byte 0xff is not text"}});
    expect_tree_faults("a: \xc3", {{1, "", "byte 0xc3 is not text"}});            // cut short
    expect_tree_faults("a: \xc0\x80\n", {{1, "", "byte 0xc0 is not text"}});      // overlong
    expect_tree_faults("a: \xed\xa0\x80\n", {{1, "", "byte 0xed is not text"}});  // half a surrogate pair
    expect_tree_faults("a: \xf4\x90\x80\x80\n", {{1, "", "byte 0xf4 is not text"}});
    expect_tree_faults("a: \r b\n", {{1, "", "byte 0x0d is not text"}});
    expect_tree_faults("a: 70 °C €\U0001F4E1\r\n", {});
}

TEST_CASE("too large a text is refused before it is parsed") {
    expect_tree_faults(std::string(largest_text + 1, 'a'), {{1, "", "the text has 1048577 bytes"}});
}

TEST_CASE("nesting is bounded, however it is written") {
    const auto deep = [](std::string_view part, std::size_t times) {
        std::string text;
        for (std::size_t i = 0; i < times; ++i) text += part;
        return text;
    };
    std::string block;
    for (std::size_t i = 0; i < 17; ++i) block += std::string(i, ' ') + "a:\n";
    expect_tree_faults(block + std::string(17, ' ') + "a: 1\n", {{17, "", "nesting deeper than 16"}});
    for (const std::string_view part : {"[", "{a: ", "- ", "? ", "[{", "- ? "}) {
        CAPTURE(part);
        const Tree tree = read_tree(deep(part, 1000));
        REQUIRE_FALSE(tree.faults.empty());
        CHECK_FALSE(tree.root);
    }
}

TEST_CASE("a megabyte of brackets, dashes, quotes or keys ends soon") {
    for (const std::string_view part :
         {"[",   "]",   "{",   "}", "- ",    "? ",    "a: ", "\"",  "'",       "a:\n", "- a\n", "#",  "&a ", "*a ",
          "!a ", "|\n", ">\n", "%", "---\n", "...\n", "[a,", "{a,", "{a: b},", ",",    ":",     "\\", "a ",  "é"}) {
        CAPTURE(part);
        std::string text;
        while (text.size() + part.size() <= largest_text / 4) text += part;
        const auto begun = std::chrono::steady_clock::now();
        const Tree tree = read_tree(text);
        const double took = std::chrono::duration<double>(std::chrono::steady_clock::now() - begun).count();
        CHECK(took < 60.0);  // seconds; a quadratic parse would take hours
        CHECK((tree.root.has_value() || !tree.faults.empty()));
    }
}
