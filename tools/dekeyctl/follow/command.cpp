#include "dekeyctl/follow/command.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <stdexcept>

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

constexpr int cannot_exec = 127;

bool is_program(const std::string& path) {
    struct stat there {};
    return ::stat(path.c_str(), &there) == 0 && S_ISREG(there.st_mode) && ::access(path.c_str(), X_OK) == 0;
}

std::vector<char*> pointers(std::vector<std::string>& words) {
    std::vector<char*> list;
    list.reserve(words.size() + 1);
    for (std::string& word : words) list.push_back(word.data());
    list.push_back(nullptr);
    return list;
}

std::vector<std::string> environment_with(const EventCommand::Variables& variables) {
    std::vector<std::string> all;
    for (char** one = environ; *one != nullptr; ++one) {
        if (!std::string_view{*one}.starts_with("DEKEYD_EVENT_")) all.emplace_back(*one);
    }
    for (const auto& [name, value] : variables) all.push_back(name + "=" + value);
    return all;
}

/// In the new process: what may be called between fork() and execve(), and no more.
[[noreturn]] void become(const char* path, char* const* words, char* const* environment, int input, pid_t parent) {
    ::setpgid(0, 0);
    ::prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (::getppid() != parent) ::_exit(cannot_exec);  // it has died before that
    ::dup2(input, STDIN_FILENO);
    ::dup2(STDERR_FILENO, STDOUT_FILENO);  // standard output has the events
    sigset_t none;
    ::sigemptyset(&none);
    ::sigprocmask(SIG_SETMASK, &none, nullptr);
    ::signal(SIGPIPE, SIG_DFL);
    ::execve(path, words, environment);
    ::_exit(cannot_exec);
}

}  // namespace

std::string program_path(const std::string& word) {
    struct stat there {};
    if (word.find('/') != std::string::npos) {
        if (is_program(word)) return word;
        if (::stat(word.c_str(), &there) != 0)
            throw std::runtime_error{
                fmt::format("'{}': {}; expected a command that can be run", printable(word), std::strerror(errno))};
        if (S_ISDIR(there.st_mode))
            throw std::runtime_error{
                fmt::format("'{0}' is a folder, and behind 'follow' --run takes a command; expected dekeyd's run "
                            "directory in front: 'dekeyctl --run {0} follow'",
                            printable(word))};
        throw std::runtime_error{
            fmt::format("'{}' may not be executed by this user; expected a program, or a script with its mode +x and "
                        "'#!' in its first line",
                        printable(word))};
    }
    const char* const paths = std::getenv("PATH");  // NOLINT(concurrency-mt-unsafe): no thread of ours changes it
    std::string_view left = paths == nullptr ? "/usr/local/bin:/usr/bin:/bin" : paths;
    while (!left.empty()) {
        const std::size_t end = left.find(':');
        const std::string path = std::string{left.substr(0, end)} + "/" + word;
        if (end != 0 && is_program(path)) return path;
        left.remove_prefix(end == std::string_view::npos ? left.size() : end + 1);
    }
    throw std::runtime_error{
        fmt::format("there is no command '{}' in PATH; expected a command that can be run", printable(word))};
}

EventCommand::EventCommand(std::vector<std::string> words) : words_{std::move(words)} {
    path_ = program_path(words_.at(0));
    name_ = printable(path_.substr(path_.rfind('/') + 1));
}

EventCommand::~EventCommand() {
    kill();
    if (runs()) ::waitpid(process_, nullptr, 0);
}

std::string EventCommand::start(const std::string& input, const Variables& variables) {
    int ends[2] = {-1, -1};
    if (::pipe2(ends, O_CLOEXEC) != 0) return fmt::format("no pipe: {}", std::strerror(errno));
    // An event's line fits into a pipe, so all of it waits there for a reader, or for none.
    ::fcntl(ends[1], F_SETPIPE_SZ, 1 << 18);
    ::fcntl(ends[1], F_SETFL, O_NONBLOCK);
    const ssize_t written = ::write(ends[1], input.data(), input.size());
    ::close(ends[1]);
    std::vector<std::string> environment = environment_with(variables);
    const std::vector<char*> words = pointers(words_), values = pointers(environment);
    const pid_t parent = ::getpid();
    const pid_t process = written == static_cast<ssize_t>(input.size()) ? ::fork() : -1;
    if (process == 0) become(path_.c_str(), words.data(), values.data(), ends[0], parent);
    const int error = errno;
    ::close(ends[0]);
    if (process < 0) return fmt::format("can't be started: {}", std::strerror(error));
    ::setpgid(process, process);  // parent and child both: either may run first
    process_ = process;
    return {};
}

std::optional<int> EventCommand::ended() {
    if (!runs()) return std::nullopt;
    // First its group, while the process, not waited for yet, still keeps the group's number for itself.
    siginfo_t how{};
    if (::waitid(P_PID, static_cast<id_t>(process_), &how, WEXITED | WNOHANG | WNOWAIT) != 0 || how.si_pid == 0)
        return std::nullopt;
    if (how.si_code != CLD_EXITED || how.si_status != 0) ::kill(-process_, SIGKILL);
    int status = 0;
    ::waitpid(process_, &status, 0);
    process_ = -1;
    return status;
}

void EventCommand::kill() noexcept {
    if (runs()) ::kill(-process_, SIGKILL);
}

std::string end_in_words(int status) {
    if (WIFSIGNALED(status))
        return fmt::format("was ended by signal {} ({})", WTERMSIG(status), ::strsignal(WTERMSIG(status)));
    return fmt::format("ended with exit code {}", WEXITSTATUS(status));
}

}  // namespace dekeyd::ctl
