#include <fmt/format.h>
#include <poll.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <fstream>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "base/connection.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/daily/view.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

constexpr std::size_t events_kept = 500;
constexpr auto values_every = 5s;  // plain lines: the values, when nothing happens

std::string watch_request(double hz) {
    return fmt::format(R"({{"ask":"watch","hz":{}}})", hz);
}

// One line of values for people who read a log.
std::string values_line(const Status& status) {
    std::string words = status.permit ? "permit" : "inhibit, " + status.state;
    for (const Quantity& quantity : status.quantities) {
        bool watched = false;
        for (const Limit& limit : status.limits) watched = watched || limit.watch == quantity.id;
        if (watched && quantity.value)
            words += fmt::format("; {} {}", quantity.id, with_unit(*quantity.value, quantity.unit));
        else if (watched)
            words += fmt::format("; {} {}", quantity.id, quantity.health);
    }
    return words;
}

// Lines until the daemon goes or the reader does.
int watch_lines(const WatchOptions& options) {
    Connection connection{options.socket};
    connection.send(watch_request(options.hz));
    const bool utf8 = look_of(stdout).utf8;
    const auto print = [&](const std::string& text) {
        fmt::print("{}\n", utf8 || options.json ? text : to_ascii(text));
        std::fflush(stdout);
    };
    std::string said;
    Clock::time_point printed{};
    while (std::ferror(stdout) == 0) {
        const auto line = connection.receive(30s);
        if (!line) throw Unreachable(fmt::format("{}: no news for 30 s; is dekeyd hung?", options.socket));
        const Message message = read_message(*line);
        if (!message.status && !message.event) {
            if (message.error.empty()) continue;
            fmt::print(stderr, "dekeyctl: {}: {}\n", options.socket, message.error);
            return exit_nonsense;
        }
        if (options.json) {
            print(*line);
            continue;
        }
        if (message.event)
            print(fmt::format("{}  {}: {}", message.event->wall, message.event->kind, message.event->text));
        if (!message.status) continue;
        const Status& status = *message.status;
        const std::string now = fmt::format("{}{}: {}", status.permit ? "permit" : "inhibit, ",
                                            status.permit ? "" : status.state, status.reason);
        if (now != said) print(now);
        if (now != said || Clock::now() - printed >= values_every) {
            print("  " + values_line(status));
            printed = Clock::now();
        }
        said = now;
    }
    return exit_done;
}

// The last lines of a text file that others write; one that isn't there has none.
std::vector<std::string> last_lines(const std::string& path) {
    constexpr std::streamoff most = 8192;
    std::ifstream file{path, std::ios::binary};
    file.seekg(0, std::ios::end);
    const std::streamoff size = file.tellg();
    std::vector<std::string> lines;
    if (size <= 0) return lines;
    file.seekg(std::max<std::streamoff>(size - most, 0));
    for (std::string line; std::getline(file, line);) lines.push_back(printable(line));
    if (size > most && !lines.empty()) lines.erase(lines.begin());  // cut at its start
    return lines;
}

// The full screen: keeps trying when the daemon is away, and says so instead of showing old news.
class Watch {
public:
    explicit Watch(const WatchOptions& options) : options_{options} {}

    int run() {
        FullScreen screen;
        Look look = look_of(stdout);
        std::string shown;
        while (true) {
            connect();
            take();
            if (!options_.notes.empty()) picture_.notes = last_lines(options_.notes);
            picture_.status_age_s = std::chrono::duration<double>(Clock::now() - heard_).count();
            std::string frame = to_frame(render_watch(picture_, look), look);
            if (frame != shown) screen.show(frame);
            shown = std::move(frame);
            const Happened happened = screen.wait(connection_ ? connection_->descriptor() : -1, 250ms);
            if (happened.leave) return exit_done;
            if (happened.resized || happened.resumed) {
                look = look_of(stdout);
                shown.clear();
            }
        }
    }

private:
    void connect() {
        if (connection_ || Clock::now() < retry_at_) return;
        retry_at_ = Clock::now() + 1s;
        try {
            connection_ = std::make_unique<Connection>(options_.socket);
            connection_->send(watch_request(options_.hz));
            picture_.trouble.clear();
            heard_ = Clock::now();
        } catch (const Unreachable& error) {
            connection_.reset();
            picture_.trouble = error.what();
        }
    }

    void take() {
        try {
            while (connection_) {
                const auto line = connection_->receive(0ms);
                if (!line) return;
                Message message = read_message(*line);
                if (message.event) {
                    picture_.events.push_back(*std::move(message.event));
                    if (picture_.events.size() > events_kept) picture_.events.pop_front();
                }
                if (message.status) {
                    picture_.status = std::move(message.status);
                    picture_.trouble.clear();
                    heard_ = Clock::now();
                } else if (!message.error.empty()) {
                    picture_.trouble = message.error;
                }
            }
        } catch (const Unreachable& error) {
            connection_.reset();
            picture_.trouble = error.what();
        }
    }

    const WatchOptions& options_;
    Picture picture_;
    std::unique_ptr<Connection> connection_;
    Clock::time_point heard_{};
    Clock::time_point retry_at_{};
};

}  // namespace

int run_watch(const WatchOptions& options) {
    if (options.json || options.plain || ::isatty(STDOUT_FILENO) == 0) return watch_lines(options);
    // A first try before the screen is taken: a wrong path is an error, not a view that waits for ever.
    { const Connection first{options.socket}; }
    return Watch{options}.run();
}

}  // namespace dekeyd::ctl
