#include "manual/pages.hpp"

#include <algorithm>
#include <vector>

#include "dekeyctl/explain/key_reference.hpp"

namespace dekeyd::manual {
namespace {

// What roff would take for its own; hyphens stay hyphens, so that options can be copied from the page.
std::string escaped(std::string_view text) {
    std::string out;
    if (text.starts_with('.') || text.starts_with('\'')) out += "\\&";
    for (std::size_t i = 0; i < text.size(); ++i) {
        const char c = text[i];
        if (c == '\\') {
            out += "\\e";
        } else if (c == '-') {
            out += "\\-";
        } else if (c == '\'') {
            out += "\\(aq";
        } else if (c == '`') {
            out += "\\(ga";
        } else if (c == '^') {
            out += "\\(ha";
        } else if (c == '~') {
            out += "\\(ti";
        } else if (text.substr(i).starts_with("°")) {
            out += "\\(de";
            i += std::string_view{"°"}.size() - 1;
        } else {
            out += c;
        }
    }
    return out;
}

std::vector<std::string_view> lines_of(std::string_view text) {
    std::vector<std::string_view> lines;
    while (!text.empty()) {
        const std::size_t end = std::min(text.find('\n'), text.size());
        lines.push_back(text.substr(0, end));
        text.remove_prefix(std::min(end + 1, text.size()));
    }
    while (!lines.empty() && lines.back().empty()) lines.pop_back();
    return lines;
}

std::string upper(std::string_view text) {
    std::string out{text};
    std::transform(out.begin(), out.end(), out.begin(), [](unsigned char c) { return std::toupper(c); });
    return out;
}

std::string verbatim(const std::vector<std::string_view>& lines) {
    std::string out = ".PP\n.nf\n.RS 2\n";
    for (const std::string_view line : lines) out += line.empty() ? "\\&\n" : escaped(line) + '\n';
    return out + ".RE\n.fi\n";
}

// A heading begins a paragraph by itself.
std::string tidy(const std::string& page) {
    std::string out;
    bool heading = false;
    for (const std::string_view line : lines_of(page)) {
        if (!(heading && line == ".PP")) out.append(line).append(1, '\n');
        heading = line.starts_with(".SH") || line.starts_with(".SS");
    }
    return out;
}

// No date of the build, so that equal sources give equal pages.
std::string head(const Page& page, std::string_view version) {
    std::string out = ".\\\" Made by tools/manual; change its source, not this file.\n";
    out += ".TH " + upper(page.name) + ' ' + page.section + " \"\" \"dekeyd " + std::string{version} + "\"\n";
    out += ".SH NAME\n" + escaped(page.name) + " \\- " + escaped(page.what) + '\n';
    return out;
}

std::string foot(const Page& page) {
    std::string out;
    if (!page.files.empty()) {
        out += ".SH FILES\n";
        for (const std::string_view line : lines_of(page.files)) {
            const std::size_t tab = line.find('\t');
            out += ".TP\n.I " + escaped(line.substr(0, tab)) + '\n' + escaped(line.substr(tab + 1)) + '\n';
        }
    }
    out += ".SH SEE ALSO\n" + std::string{page.see} + '\n';
    return out;
}

// Text in blocks, as the help prints it: a line that ends in a colon with indented lines after it is a list.
struct Block {
    std::string_view title;  ///< "Examples", "Exit codes"; empty: text
    std::vector<std::string_view> lines;
};

std::vector<Block> blocks_of(std::string_view text) {
    std::vector<Block> blocks;
    bool open = false;
    for (const std::string_view line : lines_of(text)) {
        if (line.empty()) {
            open = false;
        } else if (line.ends_with(':') && !line.starts_with(' ')) {
            blocks.push_back({line.substr(0, line.size() - 1), {}});
            open = true;
        } else {
            const bool listed = line.starts_with("  ");
            if (!open || listed == blocks.back().title.empty()) blocks.emplace_back();
            open = true;
            blocks.back().lines.push_back(listed ? line.substr(2) : line);
        }
    }
    return blocks;
}

std::string block_page(const Block& block, bool sections) {
    std::string out;
    if (block.title.empty()) {
        out += ".PP\n";
        for (const std::string_view line : block.lines) out += escaped(line) + '\n';
        return out;
    }
    const std::string title = block.title == "Example" || block.title == "Examples" ? "EXAMPLES"
                              : block.title == "Exit codes"                         ? "EXIT STATUS"
                                                                                    : upper(block.title);
    if (sections) out += ".SH " + title + '\n';
    if (block.title != "Exit codes") return out + verbatim(block.lines);
    for (const std::string_view line : block.lines) {
        const std::size_t gap = line.find(' ');
        out += ".TP\n.B " + escaped(line.substr(0, gap)) + '\n' +
               escaped(line.substr(std::min(line.find_first_not_of(' ', gap), line.size()))) + '\n';
    }
    return out;
}

bool is_help(const CLI::Option& option) {
    return option.check_lname("help");
}

bool takes_value(const CLI::Option& option) {
    return option.get_items_expected_max() > 0;
}

std::string value_of(const CLI::Option& option) {
    return upper(option.get_type_name().substr(0, option.get_type_name().find(' ')));
}

std::string names_of(const CLI::Option& option) {
    std::string out;
    const auto add = [&](const std::string& name) {
        out += (out.empty() ? "" : ", ") + ("\\fB" + escaped(name)) + "\\fR";
    };
    for (const std::string& name : option.get_snames()) add("-" + name);
    for (const std::string& name : option.get_lnames()) add("--" + name);
    if (takes_value(option)) out += " \\fI" + escaped(value_of(option)) + "\\fR";
    return out;
}

std::string option_page(const CLI::Option& option) {
    const std::string name = option.get_positional() ? "\\fI" + upper(option.get_name()) + "\\fR" : names_of(option);
    std::string what = option.get_description();
    if (!option.get_default_str().empty() && takes_value(option))
        what += " (default: " + option.get_default_str() + ")";
    if (option.get_required() && !option.get_positional()) what += " (must be given)";
    return ".TP\n" + name + '\n' + escaped(what) + '\n';
}

std::string options_page(const CLI::App& app) {
    std::string out;
    for (const CLI::Option* option : app.get_options()) {
        if (option->get_positional()) out += option_page(*option);
    }
    for (const CLI::Option* option : app.get_options()) {
        if (!option->get_positional() && !is_help(*option)) out += option_page(*option);
    }
    return out;
}

std::string synopsis(std::string_view program, const CLI::App& app) {
    std::string out = ".B " + escaped(program);
    if (app.get_parent() != nullptr) out += ' ' + escaped(app.get_name());
    out += '\n';
    const auto& options = app.get_options();
    for (const CLI::Option* option : options) {
        if (!option->get_positional() && option->get_required()) out += names_of(*option) + '\n';
    }
    const bool more = std::any_of(options.begin(), options.end(), [](const CLI::Option* o) {
        return !o->get_positional() && !o->get_required() && !is_help(*o);
    });
    if (more) out += "[\\fIOPTIONS\\fR]\n";
    for (const CLI::Option* option : options) {
        if (option->get_positional()) out += "\\fI" + upper(option->get_name()) + "\\fR\n";
    }
    return out;
}

std::vector<const CLI::App*> commands_of(const CLI::App& app) {
    return app.get_subcommands([](const CLI::App*) { return true; });
}

}  // namespace

std::string program_page(const Page& page, const CLI::App& app, std::string_view version) {
    std::string out = head(page, version) + ".SH SYNOPSIS\n";
    const auto commands = commands_of(app);
    if (commands.empty()) out += synopsis(page.name, app);
    for (const CLI::App* command : commands) {
        out += synopsis(page.name, *command);
        if (command != commands.back()) out += ".br\n";
    }
    out += ".SH DESCRIPTION\n";
    const std::string description = app.get_description(), footer = app.get_footer();  // they give copies
    for (const std::string_view line : lines_of(description)) out += escaped(line) + '\n';
    std::string closing;
    for (const Block& block : blocks_of(footer)) {
        (block.title.empty() ? out : closing) += block_page(block, true);
    }
    out += ".SH OPTIONS\n" + options_page(app);
    out += ".TP\n\\fB\\-h\\fR, \\fB\\-\\-help\\fR\nHelp, of a command too.\n";
    if (!commands.empty()) out += ".SH COMMANDS\n";
    std::string group;
    for (const CLI::App* command : commands) {
        if (command->get_group() != group && command->get_group() != "Subcommands") {
            group = command->get_group();
            out += ".PP\n\\fB" + escaped(group) + "\\fR\n";
        }
        out += ".SS " + escaped(command->get_name()) + '\n';
        out += escaped(command->get_description()) + ".\n";
        out += options_page(*command);
        const std::string examples = command->get_footer();
        for (const Block& block : blocks_of(examples)) out += block_page(block, false);
    }
    return tidy(out + closing + foot(page));
}

namespace {

std::string keys_page() {
    std::string out =
        ".SH REFERENCE\nFor names of yours stands an asterisk. A range in brackets is taken where the key is named "
        "under ";
    out += escaped("'accept:'") + ".\n";
    for (const formats::KeyRow& row : formats::configuration_keys()) {
        const std::string usual = ctl::default_of_key(row);
        out += ".TP\n\\fB" + escaped(row.path) + "\\fR\n" + escaped(row.says) + '\n';
        out += escaped(ctl::need_of_key(row)) + ".\n" + escaped(ctl::value_of_key(row)) + ".\n";
        if (!usual.empty()) out += escaped(usual) + ".\n";
    }
    return out;
}

}  // namespace

std::string configuration_page(const Page& page, std::string_view yaml, std::string_view version) {
    std::string out = head(page, version) + ".SH DESCRIPTION\n";
    std::vector<std::string_view> text, keys;
    bool section = false;
    const auto end_text = [&] {
        std::vector<std::string_view> list;
        const auto end_list = [&] {
            if (!list.empty()) out += verbatim(list);
            list.clear();
        };
        bool paragraph = false;
        for (const std::string_view line : text) {
            // "# key: value" and lines set in stay as they are; the rest flows.
            const std::size_t word = line.find_first_not_of("abcdefghijklmnopqrstuvwxyz_");
            const bool as_it_is =
                line.starts_with("  ") || (word != std::string_view::npos && word > 0 && line[word] == ':' &&
                                           line.find('{') != std::string_view::npos);
            if (as_it_is || line.empty()) {
                if (as_it_is) list.push_back(line);
                paragraph = false;
                continue;
            }
            end_list();
            if (!paragraph) out += ".PP\n";
            paragraph = true;
            out += escaped(line) + '\n';
        }
        end_list();
        text.clear();
    };
    const auto end_keys = [&] {
        while (!keys.empty() && keys.back().empty()) keys.pop_back();
        if (!keys.empty()) out += verbatim(keys);
        keys.clear();
    };
    auto lines = lines_of(yaml);
    if (!lines.empty() && lines.front().starts_with("# yaml-language-server:")) lines.erase(lines.begin());
    for (std::size_t i = 0; i < lines.size(); ++i) {
        const std::string_view line = lines[i];
        if (line.starts_with('#')) {
            end_keys();
            // The comment belongs to the section whose key comes after it.
            std::size_t next = i;
            while (next < lines.size() && lines[next].starts_with('#')) ++next;
            const bool heads = next < lines.size() && !lines[next].empty() && lines[next].front() != ' ';
            if (heads && text.empty() && (i == 0 || !lines[i - 1].starts_with('#'))) {
                out += (section ? "" : ".SH KEYS\n") + (".SS " + escaped(lines[next].substr(0, lines[next].find(':'))));
                out += '\n';
                section = true;
            }
            text.push_back(line.substr(line.starts_with("# ") ? 2 : 1));
            continue;
        }
        if (!text.empty()) end_text();
        if (!line.empty() && line.front() != ' ' && keys.empty() && (i == 0 || !lines[i - 1].starts_with('#'))) {
            out += ".SS " + escaped(line.substr(0, line.find(':'))) + '\n';
        }
        if (!line.empty() || !keys.empty()) keys.push_back(line);
    }
    end_text();
    end_keys();
    return tidy(out + keys_page() + foot(page));
}

std::string completion(const CLI::App& app) {
    const auto words = [](const CLI::App& command) {
        std::string out;
        for (const CLI::Option* option : command.get_options()) {
            if (option->get_positional()) continue;
            for (const std::string& name : option->get_snames()) out += " -" + name;
            for (const std::string& name : option->get_lnames()) out += " --" + name;
        }
        return out.substr(out.empty() ? 0 : 1);
    };
    std::string names, files, folders, values, cases;
    const auto sort_options = [&](const CLI::App& command) {
        for (const CLI::Option* option : command.get_options()) {
            if (option->get_positional() || !takes_value(*option)) continue;
            std::string& list = value_of(*option) == "FILE" ? files : value_of(*option) == "FOLDER" ? folders : values;
            for (const std::string& name : option->get_snames()) list += "|-" + name;
            for (const std::string& name : option->get_lnames()) list += "|--" + name;
        }
    };
    sort_options(app);
    for (const CLI::App* command : commands_of(app)) {
        names += (names.empty() ? "" : " ") + command->get_name();
        sort_options(*command);
        bool takes_file = false;
        for (const CLI::Option* option : command->get_options())
            takes_file = takes_file || (option->get_positional() && value_of(*option) == "FILE");
        cases += "        " + command->get_name() + ") words='" + words(*command) +
                 "'; file=" + (takes_file ? "yes" : "no") + " ;;\n";
    }
    const std::string program = app.get_name();
    std::string out = "# bash completion for " + program + "; made by tools/manual\n_" + program + "() {\n";
    out +=
        "    local current=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD-1]} command='' word words file=no "
        "i\n";
    out += "    COMPREPLY=()\n    case $before in\n";
    const auto add_case = [&](const std::string& list, const std::string& action) {
        if (!list.empty()) out += "        " + list.substr(1) + ") " + action + " ;;\n";
    };
    add_case(files, "compopt -o filenames; mapfile -t COMPREPLY < <(compgen -f -- \"$current\"); return");
    add_case(folders, "compopt -o filenames; mapfile -t COMPREPLY < <(compgen -d -- \"$current\"); return");
    add_case(values, "return");
    out += "    esac\n    for ((i = 1; i < COMP_CWORD; i++)); do\n        word=${COMP_WORDS[i]}\n        case \" " +
           names +
           " \" in *\" $word \"*) command=$word; break ;; esac\n    done\n    case $command in\n        '') words='" +
           names + ' ' + words(app) + "' ;;\n" + cases + "    esac\n";
    out += "    [[ -n $command ]] && words+=' " + words(app) + "'\n";
    out += "    mapfile -t COMPREPLY < <(compgen -W \"$words\" -- \"$current\")\n";
    out +=
        "    if [[ $file == yes && $current != -* ]]; then\n        compopt -o filenames\n"
        "        mapfile -t COMPREPLY < <(compgen -f -- \"$current\")\n    fi\n}\n";
    return out + "complete -o nosort -F _" + program + ' ' + program + '\n';
}

}  // namespace dekeyd::manual
