#include <fmt/format.h>

#include <cstdio>

#include "base/connection.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/daily/limit_lines.hpp"
#include "dekeyctl/daily/status_words.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {

int run_status(const StatusOptions& options) {
    const std::string answer = ask(options.socket, R"({"ask":"status"})");
    const Message message = read_message(answer);
    if (!message.status) {
        fmt::print(stderr, "dekeyctl: {}: {}\n", options.socket,
                   message.error.empty() ? "the answer holds no status" : message.error);
        return exit_nonsense;
    }
    const Status& status = *message.status;
    const int code = status.permit ? exit_done : exit_inhibited;
    if (options.json) {
        fmt::print("{}\n", answer);
        return code;
    }
    const Look look = look_of(stdout);
    const auto print = [](const std::string& text) { say(stdout, text); };
    const std::string reason =
        status.reason.empty() ? (status.permit ? "no cause stands" : "no reason given") : status.reason;
    if (status.permit)
        print("permit: " + reason);
    else
        print("inhibit, " + status.state + ": " + reason);
    if (status.memory.unsaved_s) print(unsaved_words(status));
    const std::string kept = kept_words(status);
    if (!options.all && kept_is_amiss(status)) print(kept);
    if (status.advice) print("advice: " + *status.advice);
    if (!options.all) return code;
    for (const Cause& cause : status.causes) print("  " + cause_words(status, cause));
    const std::string lines = to_text(limit_lines(status, look), look, !look.colour);
    std::fwrite(lines.data(), 1, lines.size(), stdout);
    for (const std::string& text : other_values(status)) print(text);
    for (const std::string& note : sensor_notes(status)) print(note);
    print(health_words(status));
    if (!kept.empty()) print(kept);
    return code;
}

}  // namespace dekeyd::ctl
