// A Unix socket that takes one command per line and answers one line each.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

namespace bench {

/// Lines out of a stream of bytes. A line over 4096 bytes is handed out cut, once, and its rest is dropped.
class LineBuffer {
public:
    void add(std::string_view bytes);
    bool next(std::string& line);

private:
    std::string held_;
    bool dropping_ = false;
};

class Control {
public:
    /// Throws std::runtime_error: the path too long, taken by a bench that answers, or not to be made.
    explicit Control(std::string path);
    ~Control();
    Control(const Control&) = delete;
    Control& operator=(const Control&) = delete;

    /// Carries out what has arrived; never waits. A client that doesn't take its answers is dropped.
    void poll(const std::function<std::string(std::string_view)>& answer);

private:
    struct Client {
        int descriptor = -1;
        LineBuffer lines;
    };
    bool serve(Client& client, const std::function<std::string(std::string_view)>& answer);

    std::string path_;
    int listener_ = -1;
    std::vector<Client> clients_;
};

}  // namespace bench
