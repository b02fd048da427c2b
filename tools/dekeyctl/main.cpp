// dekeyctl: the operator's command.
#include <fmt/format.h>

#include <cstdio>
#include <exception>

#include "dekeyctl/client.hpp"
#include "dekeyctl/command_line.hpp"

int main(int argc, char** argv) {
    using namespace dekeyd::ctl;
    try {
        return CommandLine{}.run(argc, argv);
    } catch (const Unreachable& error) {
        fmt::print(stderr, "dekeyctl: {}\n", error.what());
        return exit_unreachable;
    } catch (const std::exception& error) {
        fmt::print(stderr, "dekeyctl: {}\n", error.what());
        return exit_nonsense;
    }
}
