#include "mqtt/broker.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <fstream>
#include <stdexcept>

#include "eventually.hpp"

namespace dekeyd::test {
namespace {

sockaddr_in loopback(int port) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(static_cast<std::uint16_t>(port));
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return address;
}

bool answers(int port) {
    const int fd = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    const sockaddr_in address = loopback(port);
    const bool good = ::connect(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
    ::close(fd);
    return good;
}

}  // namespace

int free_port() {
    const int fd = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    sockaddr_in address = loopback(0);
    socklen_t size = sizeof address;
    if (::bind(fd, reinterpret_cast<const sockaddr*>(&address), size) != 0 ||
        ::getsockname(fd, reinterpret_cast<sockaddr*>(&address), &size) != 0) {
        throw std::runtime_error{"no free port"};
    }
    ::close(fd);
    return ntohs(address.sin_port);
}

Broker::Broker(std::string settings) : settings_{std::move(settings)}, port_{free_port()} {
    start();
}

Broker::~Broker() {
    stop();
}

void Broker::start() {
    const std::string path = folder_ / "mosquitto.conf";
    // As root it would turn into a user who can't read the test's files.
    std::ofstream{path} << (::geteuid() == 0 ? "user root\n" : "") << "listener " << port_ << " 127.0.0.1\n"
                        << settings_;
    const pid_t parent = ::getpid();
    pid_ = ::fork();
    if (pid_ == 0) {
        ::prctl(PR_SET_PDEATHSIG, SIGKILL);
        if (::getppid() != parent) ::_exit(1);
        const int log = ::open((folder_ / "mosquitto.log").c_str(), O_WRONLY | O_CREAT | O_APPEND, 0600);
        ::dup2(log, 1);
        ::dup2(log, 2);
        ::execl(MOSQUITTO, MOSQUITTO, "-c", path.c_str(), static_cast<char*>(nullptr));
        ::_exit(127);
    }
    if (pid_ < 0 || !eventually([this] { return answers(port_); })) throw std::runtime_error{"mosquitto did not start"};
}

void Broker::stop() {
    if (pid_ <= 0) return;
    ::kill(pid_, SIGCONT);
    ::kill(pid_, SIGTERM);
    if (!eventually([this] { return ::waitpid(pid_, nullptr, WNOHANG) == pid_; }, std::chrono::seconds{10})) {
        ::kill(pid_, SIGKILL);
        ::waitpid(pid_, nullptr, 0);
    }
    pid_ = -1;
}

void Broker::freeze() {
    ::kill(pid_, SIGSTOP);
}
void Broker::thaw() {
    ::kill(pid_, SIGCONT);
}

}  // namespace dekeyd::test
