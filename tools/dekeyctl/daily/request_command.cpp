#include <fmt/format.h>

#include <cstdio>
#include <nlohmann/json.hpp>

#include "base/connection.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {

int run_order(const OrderOptions& options) {
    nlohmann::json request{{"ask", options.order}};
    // Short enough for one request: a hold must not fail for its reason.
    constexpr std::size_t longest_reason = 200;
    if (!options.reason.empty()) request["reason"] = clip(printable(options.reason), longest_reason);
    const std::string answer = ask(options.socket, request.dump());
    const Message message = read_message(answer);
    if (!message.ok) {
        fmt::print(stderr, "dekeyctl: {}: {}\n", options.socket,
                   message.error.empty() ? "the answer doesn't say whether it was done" : message.error);
        return exit_nonsense;
    }
    const int code = !*message.ok ? exit_refused : message.saved ? exit_done : exit_not_saved;
    if (options.json) {
        fmt::print("{}\n", answer);
        return code;
    }
    std::FILE* out = code == exit_done ? stdout : stderr;
    const std::string outcome = !message.outcome.empty() ? message.outcome : *message.ok ? "done" : "refused";
    const std::string words = !message.text.empty()    ? message.text
                              : !message.error.empty() ? outcome + ": " + message.error
                                                       : outcome;
    say(out, words);
    return code;
}

}  // namespace dekeyd::ctl
