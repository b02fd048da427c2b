// The library's functions, in the test program itself, over a board in memory: whichever major version's header the
// machine has, the same tests run on the back end that was built for it.
#pragma once

#include <cstddef>
#include <map>
#include <string>
#include <vector>

namespace dekeyd::test {

struct KernelLine {
    std::string name;
    std::string consumer;
    bool used = false;
    bool high = false;
    std::vector<bool> edges;  ///< waiting: true is rising
};

struct KernelChip {
    std::string label;
    std::vector<KernelLine> lines;
};

struct Kernel {
    std::map<std::string, KernelChip> chips;  ///< by device path
    std::vector<std::string> log;             ///< "request 2 output low by dekeyd", "set 2 high", "release 2"
    int request_error = 0;                    ///< errno of every request
    int value_error = 0;                      ///< errno of every set, get and wait
    int open_handles = 0;                     ///< of every kind: what was not given back
};

/// The one board; a test starts by emptying it.
Kernel& kernel();

}  // namespace dekeyd::test
