// Faults of a configuration as a short list: line, key, and the words with which the complaint begins.
#pragma once

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <string>
#include <vector>

#include "configuration/configuration.hpp"

struct ExpectedFault {
    std::size_t line;
    std::string key;
    std::string what_begins;
};

inline std::string shown(const dekeyd::formats::Fault& fault) {
    return fmt::format("{}:{} {} | {} | {}", fault.line, fault.column, fault.key, fault.what, fault.expected);
}

/// Exactly these, in the order of the text.
inline void expect_faults(const dekeyd::formats::Loaded& loaded, const std::vector<ExpectedFault>& expected) {
    std::string all;
    for (const auto& fault : loaded.faults) all += shown(fault) + "\n";
    CAPTURE(all);
    CHECK(loaded.configuration.has_value() == loaded.faults.empty());
    REQUIRE(loaded.faults.size() == expected.size());
    for (std::size_t i = 0; i < expected.size(); ++i) {
        CAPTURE(i);
        CHECK(loaded.faults[i].line == expected[i].line);
        CHECK(loaded.faults[i].key == expected[i].key);
        CHECK(loaded.faults[i].what.substr(0, expected[i].what_begins.size()) == expected[i].what_begins);
        CHECK_FALSE(loaded.faults[i].expected.empty());
    }
}

inline void expect_no_faults(const dekeyd::formats::Loaded& loaded) {
    expect_faults(loaded, {});
}
