// The terminal: what it can show, and the full screen that is always given back.
#pragma once

#include <termios.h>

#include <chrono>
#include <cstdio>
#include <string_view>

#include "dekeyctl/lines.hpp"

namespace dekeyd::ctl {

/// Width, colour and signs for `stream`: colour only on a terminal without NO_COLOR and with a TERM other than dumb;
/// UTF-8 where the locale says so. Not a terminal: 100 columns, no colour.
Look look_of(std::FILE* stream);

/// Prints `text`, a row or several, with nothing in it that a terminal would obey, and in ASCII where the locale wants
/// it. On a terminal a row of prose that is too long breaks between words, and goes on indented.
void say(std::FILE* stream, std::string_view text);

/// What ended a wait.
struct Happened {
    bool input = false;  ///< the watched descriptor has something
    bool resized = false;
    bool resumed = false;  ///< stopped by Ctrl-Z and back again
    bool leave = false;    ///< q, or a signal that asks to end
};

/// Signals as things to read, from construction to destruction.
class Signals {
public:
    Signals();
    ~Signals();
    Signals(const Signals&) = delete;
    Signals& operator=(const Signals&) = delete;

    [[nodiscard]] int descriptor() const noexcept { return descriptor_; }

private:
    sigset_t before_{};
    int descriptor_ = -1;
};

/// The alternate screen without a cursor and without echo; the destructor restores all of it.
class FullScreen {
public:
    FullScreen();
    ~FullScreen();
    FullScreen(const FullScreen&) = delete;
    FullScreen& operator=(const FullScreen&) = delete;

    void show(std::string_view frame);
    /// Waits for `descriptor` (or none: -1), a key, a signal or the time. Ctrl-Z is handled inside.
    Happened wait(int descriptor, std::chrono::milliseconds longest);

private:
    void enter();
    void leave() noexcept;

    Signals signals_;
    termios before_{};
    bool keys_ = false;  ///< standard input is a terminal whose mode was changed
};

}  // namespace dekeyd::ctl
