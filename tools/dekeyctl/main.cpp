// dekeyctl: the operator's command.
#include <cstdio>
#include <exception>
#include <string>

#include "base/connection.hpp"
#include "dekeyctl/command_line.hpp"
#include "dekeyctl/terminal.hpp"

int main(int argc, char** argv) {
    using namespace dekeyd::ctl;
    try {
        return CommandLine{}.run(argc, argv);
    } catch (const dekeyd::Unreachable& error) {
        say(stderr, std::string{"dekeyctl: "} + error.what());
        return exit_unreachable;
    } catch (const std::exception& error) {
        say(stderr, std::string{"dekeyctl: "} + error.what());
        return exit_nonsense;
    }
}
