// Runs on the virtual board: does to the inhibit line what it is told on stdin, one word at a time, through the
// daemon's own driver, and answers each with one line that begins with "= ".
#include <signal.h>
#include <unistd.h>

#include <iostream>
#include <memory>
#include <optional>
#include <string>

#include "drivers/line.hpp"

namespace {

using dekeyd::drivers::Line;
using dekeyd::drivers::LineAddress;
using dekeyd::drivers::LineError;

std::string level(Line& line) {
    const std::optional<bool> permits = line.read_back();
    if (!permits) return "unknown";
    return *permits ? "permit" : "inhibit";
}

std::string open(const LineAddress& address, std::unique_ptr<Line>& line) {
    try {
        line = dekeyd::drivers::open_line(address);
        return level(*line) + ' ' + line->describe();
    } catch (const LineError& error) {
        return (error.busy ? "busy " : "error ") + std::string(error.what());
    }
}

}  // namespace

int main(int count, char** arguments) {
    if (count != 4) {
        std::cerr << "usage: line_program CHIP LINE high|low\n";
        return 2;
    }
    LineAddress address;
    address.chip = arguments[1];
    address.line = arguments[2];
    address.permit_high = std::string(arguments[3]) == "high";
    std::unique_ptr<Line> line, second;
    std::string word, answer;
    while (std::cin >> word) {
        if (word == "address") {
            answer = dekeyd::drivers::to_text(address);
        } else if (word == "open") {
            answer = open(address, line);
        } else if (word == "again") {
            answer = open(address, second);
        } else if (word == "close") {
            line.reset();
            answer = "closed";
        } else if (word == "leave") {
            return 0;
        } else if (word == "die") {
            ::kill(::getpid(), SIGKILL);
        } else if (!line) {
            answer = "error no line is open";
        } else if (word == "permit" || word == "inhibit") {
            answer = line->write(word == "permit") ? level(*line) : "error the write failed";
        } else if (word == "read") {
            answer = level(*line);
        } else {
            answer = "error unknown word " + word;
        }
        std::cout << "= " << answer << std::endl;
    }
    return 0;
}
