#include "dekeyctl/terminal.hpp"

#include <fmt/format.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <string>
#include <system_error>
#include <vector>

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

std::string_view environment(const char* name) {
    const char* value = std::getenv(name);
    return value == nullptr ? std::string_view{} : std::string_view{value};
}

bool locale_is_utf8() {
    // The first of the three that is set decides, as POSIX has it.
    for (const char* name : {"LC_ALL", "LC_CTYPE", "LANG"}) {
        std::string value{environment(name)};
        if (value.empty()) continue;
        std::transform(value.begin(), value.end(), value.begin(),
                       [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; });
        return value.find("utf-8") != std::string::npos || value.find("utf8") != std::string::npos;
    }
    return false;
}

void write_all(std::string_view text) noexcept {
    while (!text.empty()) {
        const ssize_t written = ::write(STDOUT_FILENO, text.data(), text.size());
        if (written > 0)
            text.remove_prefix(static_cast<std::size_t>(written));
        else if (errno != EINTR)
            return;  // a terminal that is gone: the end comes by SIGHUP
    }
}

}  // namespace

Look look_of(std::FILE* stream) {
    const int descriptor = ::fileno(stream);
    Look look{.width = 100, .height = 40, .colour = false, .utf8 = locale_is_utf8()};
    if (::isatty(descriptor) == 0) return look;
    look.colour = environment("NO_COLOR").empty() && environment("TERM") != "dumb" && !environment("TERM").empty();
    winsize size{};
    if (::ioctl(descriptor, TIOCGWINSZ, &size) == 0 && size.ws_col > 0 && size.ws_row > 0) {
        look.width = size.ws_col;
        look.height = size.ws_row;
    } else {
        look.width = 80;
        look.height = 24;
    }
    return look;
}

void say(std::FILE* stream, std::string_view text) {
    const Look look = look_of(stream);
    const bool terminal = ::isatty(::fileno(stream)) != 0;
    while (true) {
        const std::size_t end = text.find('\n');
        const std::string row = look.utf8 ? printable(text.substr(0, end)) : to_ascii(printable(text.substr(0, end)));
        const std::size_t indent = std::min(row.find_first_not_of(' '), row.size());
        const std::size_t room = look.width > indent + 2 ? look.width - indent - 2 : 1;
        std::vector<std::string> rows{row};
        // A table's row, which has gaps in it, is left to the terminal.
        const bool prose = row.find("  ", indent) == std::string::npos;
        if (terminal && prose && columns(row) > look.width) rows = wrap(std::string_view{row}.substr(indent), room);
        // A path that is longer than the terminal stays whole, so that it can be copied.
        if (std::any_of(rows.begin(), rows.end(), [](const std::string& r) { return r.ends_with('~'); })) rows = {row};
        for (std::size_t i = 0; i < rows.size(); ++i) {
            const std::size_t before = rows.size() == 1 ? 0 : i == 0 ? indent : indent + 2;
            fmt::print(stream, "{}{}\n", std::string(before, ' '), rows[i]);
        }
        if (end == std::string_view::npos) break;
        text.remove_prefix(end + 1);
    }
    std::fflush(stream);
}

Signals::Signals() {
    sigset_t wanted;
    sigemptyset(&wanted);
    for (const int signal : {SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGWINCH, SIGTSTP}) sigaddset(&wanted, signal);
    ::sigprocmask(SIG_BLOCK, &wanted, &before_);
    descriptor_ = ::signalfd(-1, &wanted, SFD_CLOEXEC | SFD_NONBLOCK);
    if (descriptor_ < 0) throw std::system_error{errno, std::generic_category(), "signalfd"};
}

Signals::~Signals() {
    ::close(descriptor_);
    ::sigprocmask(SIG_SETMASK, &before_, nullptr);
}

FullScreen::FullScreen() {
    enter();
}

FullScreen::~FullScreen() {
    leave();
}

void FullScreen::enter() {
    keys_ = ::isatty(STDIN_FILENO) != 0 && ::tcgetattr(STDIN_FILENO, &before_) == 0;
    if (keys_) {
        termios raw = before_;
        raw.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);
        raw.c_cc[VMIN] = 0;
        raw.c_cc[VTIME] = 0;
        ::tcsetattr(STDIN_FILENO, TCSANOW, &raw);
    }
    write_all("\x1b[?1049h\x1b[?25l\x1b[2J");
}

void FullScreen::leave() noexcept {
    write_all("\x1b[0m\x1b[?25h\x1b[?1049l");
    if (keys_) ::tcsetattr(STDIN_FILENO, TCSANOW, &before_);
}

void FullScreen::show(std::string_view frame) {
    write_all(frame);
}

Happened FullScreen::wait(int descriptor, std::chrono::milliseconds longest) {
    std::array<pollfd, 3> watched{{{.fd = signals_.descriptor(), .events = POLLIN, .revents = 0},
                                   {.fd = keys_ ? STDIN_FILENO : -1, .events = POLLIN, .revents = 0},
                                   {.fd = descriptor, .events = POLLIN, .revents = 0}}};
    Happened happened;
    if (::poll(watched.data(), watched.size(), static_cast<int>(longest.count())) <= 0) return happened;
    happened.input = watched[2].revents != 0;
    if (watched[1].revents != 0) {
        char key = 0;
        const ssize_t got = ::read(STDIN_FILENO, &key, 1);
        happened.leave = (got == 1 && (key == 'q' || key == 'Q')) || (watched[1].revents & POLLHUP) != 0;
    }
    signalfd_siginfo signal{};
    while (::read(signals_.descriptor(), &signal, sizeof(signal)) == sizeof(signal)) {
        if (signal.ssi_signo == SIGWINCH) {
            happened.resized = true;
        } else if (signal.ssi_signo == SIGTSTP) {
            leave();
            ::raise(SIGSTOP);
            enter();
            happened.resumed = true;
        } else {
            happened.leave = true;
        }
    }
    return happened;
}

}  // namespace dekeyd::ctl
