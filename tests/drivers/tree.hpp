// A folder in the place of /sys, and a count of allocations.
#pragma once

#include <doctest/doctest.h>
#include <stdlib.h>
#include <sys/stat.h>

#include <cstddef>
#include <filesystem>
#include <fstream>
#include <string>

#include "drivers/sensor.hpp"

namespace dekeyd::test {

namespace fs = std::filesystem;
using core::Fault;

class Tree {
public:
    Tree() {
        std::string pattern = (fs::temp_directory_path() / "dekeyd-test-XXXXXX").string();
        REQUIRE(::mkdtemp(pattern.data()) != nullptr);
        root_ = pattern;
    }
    ~Tree() {
        std::error_code ignored;
        fs::remove_all(root_, ignored);
    }
    Tree(const Tree&) = delete;
    Tree& operator=(const Tree&) = delete;

    [[nodiscard]] const std::string& root() const { return root_; }
    [[nodiscard]] std::string path(const std::string& below) const { return root_ + "/" + below; }

    /// In place, as the kernel's attributes change: the same file, other bytes.
    void write(const std::string& below, const std::string& text) const {
        fs::create_directories(fs::path(path(below)).parent_path());
        std::ofstream(path(below), std::ios::binary) << text;
    }
    /// A new file in the old one's place, as when a device goes and returns.
    void replace(const std::string& below, const std::string& text) const {
        write(below + ".new", text);
        fs::rename(path(below + ".new"), path(below));
    }
    void remove(const std::string& below) const { fs::remove_all(path(below)); }
    void folder(const std::string& below) const { fs::create_directories(path(below)); }
    void link(const std::string& below, const std::string& target_below) const {
        fs::create_directories(fs::path(path(below)).parent_path());
        fs::create_symlink(path(target_below), path(below));
    }
    void fifo(const std::string& below) const {
        fs::create_directories(fs::path(path(below)).parent_path());
        REQUIRE(::mkfifo(path(below).c_str(), 0600) == 0);
    }

private:
    std::string root_;
};

inline void check_value(drivers::Sensor& sensor, double value) {
    const core::Sample sample = sensor.read();
    CHECK_MESSAGE(sample.fault == Fault::none, sensor.where() << ": " << core::text(sample.fault));
    CHECK(sample.value == doctest::Approx(value).epsilon(1e-12));
}

inline void check_fault(drivers::Sensor& sensor, Fault fault) {
    const core::Sample sample = sensor.read();
    CHECK_MESSAGE(sample.fault == fault, sensor.where() << ": " << core::text(sample.fault));
    CHECK(sample.value == 0.0);
}

/// Calls of operator new in this thread so far.
std::size_t allocations() noexcept;

/// Runs `work` in a child without root's rights; its result. -1: this machine won't let go of them.
int as_nobody(int (*work)(const std::string&), const std::string& argument);

}  // namespace dekeyd::test
