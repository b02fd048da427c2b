// Manual pages and the shell's completion, from the programs' own command lines and from the annotated configuration.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <string_view>

namespace dekeyd::manual {

/// What a page says beside what its program's command line says of itself.
struct Page {
    std::string_view name;
    char section = '1';
    std::string_view what;   ///< after the name, in one line
    std::string_view files;  ///< lines of "path<tab>what it is"
    std::string_view see;
};

/// man(7) of a program with its sub-commands.
std::string program_page(const Page& page, const CLI::App& app, std::string_view version);
/// man(7) of a configuration whose comments explain it: text above a key becomes text, the keys stay as they are.
std::string configuration_page(const Page& page, std::string_view yaml, std::string_view version);
/// For bash: sub-commands, options, files and folders.
std::string completion(const CLI::App& app);

}  // namespace dekeyd::manual
