// A command that is given one event: on its standard input and in its environment, without a shell.
#pragma once

#include <sys/types.h>

#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace dekeyd::ctl {

/// The program's path as execve(2) takes it, looked for in PATH where there is no slash in it. Throws
/// std::runtime_error: what it is instead, and what was expected.
std::string program_path(const std::string& word);

class EventCommand {
public:
    explicit EventCommand(std::vector<std::string> words);
    ~EventCommand();
    EventCommand(const EventCommand&) = delete;
    EventCommand& operator=(const EventCommand&) = delete;

    using Variables = std::vector<std::pair<std::string, std::string>>;
    /// Starts it, as a process group of its own that dies with this process. Empty, or why it can't be.
    std::string start(const std::string& input, const Variables& variables);
    [[nodiscard]] bool runs() const noexcept { return process_ > 0; }
    /// How it has ended, once; nothing: it runs. Anything but an exit code of 0 kills what is left of its group.
    std::optional<int> ended();
    void kill() noexcept;
    /// The last part of its path, for messages.
    [[nodiscard]] const std::string& name() const noexcept { return name_; }

private:
    std::vector<std::string> words_;
    std::string path_, name_;
    pid_t process_ = -1;
};

/// "ended with exit code 3", "was ended by signal 9 (Killed)"; of wait(2)'s status.
std::string end_in_words(int status);

}  // namespace dekeyd::ctl
