// The real program on a pseudo-terminal: the full screen is taken, follows the size, and is given back.
#include <doctest/doctest.h>
#include <pty.h>
#include <sys/ioctl.h>
#include <sys/wait.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <memory>

#include "fake_daemon.hpp"
#include "sample.hpp"

using namespace std::chrono_literals;

namespace {

std::vector<std::string> stream(const std::string& request) {
    const auto ask = nlohmann::json::parse(request).value("ask", "");
    if (ask == "watch")
        return {nlohmann::json{{"status", sample::tripped()}}.dump(),
                sample::event(1, "tripped", "VSWR 3.4 above 2.0")};
    if (ask == "status") return {nlohmann::json{{"ok", true}, {"status", sample::tripped()}}.dump()};
    if (ask == "reset") return {R"({"ok":false,"outcome":"refused","text":"Reset refused: heatsink still stands."})"};
    return {nlohmann::json{{"ok", true}, {"outcome", "held"}, {"text", request}}.dump()};
}

class OnTerminal {
public:
    OnTerminal(std::vector<std::string> arguments, unsigned short columns, unsigned short rows) {
        winsize size{.ws_row = rows, .ws_col = columns, .ws_xpixel = 0, .ws_ypixel = 0};
        child_ = ::forkpty(&terminal_, nullptr, nullptr, &size);
        if (child_ == 0) {
            ::setenv("TERM", "xterm-256color", 1);
            ::setenv("LC_ALL", "C.UTF-8", 1);
            ::unsetenv("NO_COLOR");
            std::vector<char*> pointers;
            arguments.insert(arguments.begin(), DEKEYCTL);
            for (std::string& argument : arguments) pointers.push_back(argument.data());
            pointers.push_back(nullptr);
            ::execv(DEKEYCTL, pointers.data());
            ::_exit(127);
        }
    }
    ~OnTerminal() {
        if (!ended_) {
            ::kill(child_, SIGKILL);
            ::waitpid(child_, nullptr, 0);
        }
        ::close(terminal_);
    }
    OnTerminal(const OnTerminal&) = delete;
    OnTerminal& operator=(const OnTerminal&) = delete;

    bool shows(const std::string& wanted, std::chrono::milliseconds longest = 20s) {
        const auto until = std::chrono::steady_clock::now() + longest;
        while (shown.find(wanted) == std::string::npos) {
            pollfd news{.fd = terminal_, .events = POLLIN, .revents = 0};
            if (std::chrono::steady_clock::now() > until) return false;
            if (::poll(&news, 1, 100) <= 0) continue;
            char bytes[8192];
            const ssize_t count = ::read(terminal_, bytes, sizeof(bytes));
            if (count <= 0) return shown.find(wanted) != std::string::npos;
            shown.append(bytes, static_cast<std::size_t>(count));
        }
        return true;
    }
    void resize(unsigned short columns, unsigned short rows) {
        winsize size{.ws_row = rows, .ws_col = columns, .ws_xpixel = 0, .ws_ypixel = 0};
        ::ioctl(terminal_, TIOCSWINSZ, &size);
    }
    void type(const char* keys) { CHECK(::write(terminal_, keys, std::strlen(keys)) > 0); }
    void signal(int number) { ::kill(child_, number); }
    int exit_code() {
        shows("\x01never");  // drains until the program has closed its terminal
        int result = 0;
        ::waitpid(child_, &result, 0);
        ended_ = true;
        return WIFEXITED(result) ? WEXITSTATUS(result) : 1000 + WTERMSIG(result);
    }

    std::string shown;

private:
    int terminal_ = -1;
    pid_t child_ = -1;
    bool ended_ = false;
};

constexpr const char* take = "\x1b[?1049h";
constexpr const char* give_back = "\x1b[?25h\x1b[?1049l";

struct Ran {
    int code = -1;
    std::string out;
};

// Through a pipe: not a terminal. Standard error comes too.
Ran run(const std::string& arguments) {
    Ran ran;
    std::FILE* pipe = ::popen((std::string{DEKEYCTL} + " " + arguments + " 2>&1").c_str(), "r");
    REQUIRE(pipe != nullptr);
    char bytes[4096];
    while (std::fgets(bytes, sizeof(bytes), pipe) != nullptr) ran.out += bytes;
    const int result = ::pclose(pipe);
    ran.code = WIFEXITED(result) ? WEXITSTATUS(result) : 1000;
    return ran;
}

}  // namespace

TEST_CASE("watch takes the screen, follows its size, and gives it back on q") {
    FakeDaemon daemon{stream};
    OnTerminal watch{{"watch", "--socket", daemon.path()}, 100, 30};
    CHECK(watch.shows(take));
    CHECK(watch.shows("INHIBIT"));
    CHECK(watch.shows("VSWR 3.4 above 2.0"));
    watch.shown.clear();
    watch.resize(60, 20);
    CHECK(watch.shows("─ T trip  w warn  c clear"));  // the narrow heading
    watch.type("q");
    CHECK(watch.exit_code() == 0);
    CHECK(watch.shown.find(give_back) != std::string::npos);
}

TEST_CASE("every signal that ends it gives the screen back") {
    for (const int number : {SIGINT, SIGTERM, SIGHUP}) {
        CAPTURE(number);
        FakeDaemon daemon{stream};
        OnTerminal watch{{"watch", "--socket", daemon.path()}, 80, 24};
        CHECK(watch.shows("INHIBIT"));
        watch.signal(number);
        CHECK(watch.exit_code() == 0);
        CHECK(watch.shown.find(give_back) != std::string::npos);
    }
}

TEST_CASE("a daemon that goes is said on the screen, and its old values are not passed off as new") {
    auto daemon = std::make_unique<FakeDaemon>(stream);
    OnTerminal watch{{"watch", "--socket", daemon->path()}, 80, 24};
    CHECK(watch.shows("INHIBIT"));
    daemon.reset();
    CHECK(watch.shows("NOT KNOWN"));
}

TEST_CASE("no daemon: an error and exit code 4, and the screen is not taken") {
    OnTerminal watch{{"watch", "--socket", "/nowhere/control"}, 80, 24};
    CHECK(watch.exit_code() == 4);
    CHECK(watch.shown.find(take) == std::string::npos);
    CHECK(run("status --socket /nowhere/control").code == 4);
}

TEST_CASE("status and orders: a line and an exit code") {
    FakeDaemon daemon{stream};
    const std::string socket = " --socket " + daemon.path();
    const Ran status = run("status" + socket);
    CHECK(status.code == 3);
    CHECK(status.out == "inhibit, latched: vswr was above 2.0\n");
    const Ran reset = run("reset" + socket);
    CHECK(reset.code == 1);
    CHECK(reset.out == "Reset refused: heatsink still stands.\n");
    const Ran hold = run("hold --reason 'on the mast'" + socket);
    CHECK(hold.code == 0);
    CHECK(hold.out == "{\"ask\":\"hold\",\"reason\":\"on the mast\"}\n");
    CHECK(run("nonsense").code == 2);
    CHECK(run("status --no-such-option").code == 2);
    CHECK(run("--help").code == 0);
}

TEST_CASE("check: what is guarded, or each fault with its line and a caret") {
    const Ran good = run("check " DEKEYD_SOURCE_DIR "/config/dekeyd.yaml");
    CHECK(good.code == 0);
    CHECK(good.out.find("no faults") != std::string::npos);
    CHECK(good.out.find("De-keys when heatsink") != std::string::npos);
    const Ran absent = run("check /nowhere.yaml");
    CHECK(absent.code == 1);
    CHECK(absent.out.find("1 fault;") != std::string::npos);
    FakeDaemon folder{stream};
    const std::string file = std::filesystem::path{folder.path()}.replace_filename("bad.yaml");
    std::ofstream{file} << "dekeyd: 1\nguard: {perod: 20}\n";
    const Ran bad = run("check " + file);
    CHECK(bad.code == 1);
    CHECK(bad.out.find(":2:9: error: guard.perod") != std::string::npos);
    CHECK(bad.out.find("        ^\n") != std::string::npos);
    CHECK(bad.out.find("did you mean 'period'") != std::string::npos);
    const Ran json = run("check --json " + file);
    CHECK(json.code == 1);
    CHECK_FALSE(nlohmann::json::parse(json.out).at("faults").empty());
}

TEST_CASE("find: what is below a root, in the configuration's words") {
    FakeDaemon folder{stream};
    const auto root = std::filesystem::path{folder.path()}.replace_filename("sys");
    const auto put = [&](const std::string& file, const char* text) {
        std::filesystem::create_directories((root / file).parent_path());
        std::ofstream{root / file} << text;
    };
    put("bus/w1/devices/28-0000000000a1/temperature", "23812\n");
    put("bus/iio/devices/iio:device0/name", "ads1015\n");
    put("bus/iio/devices/iio:device0/in_voltage0_raw", "8000\n");
    put("bus/iio/devices/iio:device0/in_voltage0_scale", "0.0625\n");
    put("class/hwmon/hwmon0/name", "ltc4151\n");
    put("class/hwmon/hwmon0/in1_input", "nan\n");
    const Ran found = run("find --sysfs " + root.string());
    CHECK(found.code == 0);
    CHECK(found.out.find("address: 28-0000000000a1   23.8 ") != std::string::npos);
    CHECK(found.out.find("device: ads1015\n    address: voltage0     0.500 V\n") != std::string::npos);
    CHECK(found.out.find("address: in1          no reading: garbled") != std::string::npos);
    const Ran nothing = run("find --sysfs /nowhere");
    CHECK(nothing.code == 0);
    CHECK(nothing.out.find("none: the 1-Wire bus is off. Load its overlay") != std::string::npos);
    CHECK(nlohmann::json::parse(run("find --json --sysfs " + root.string()).out).at("w1").size() == 1);
    std::filesystem::create_directories(root / "bus/w1/devices/w1_bus_master1");
    std::filesystem::remove_all(root / "bus/w1/devices/28-0000000000a1");
    CHECK(run("find --sysfs " + root.string()).out.find("none, though the bus is on") != std::string::npos);
    // A starting configuration goes into a new file alone.
    const std::string file = std::filesystem::path{root}.replace_filename("new.yaml");
    CHECK(run("find --sysfs " + root.string() + " --write " + file).code == 0);
    CHECK(run("check " + file).code == 1);
    const Ran again = run("find --sysfs " + root.string() + " --write " + file);
    CHECK(again.code == 1);
    CHECK(again.out.find("is there already") != std::string::npos);
    CHECK(run("find --sysfs " + root.string() + " --write /nowhere/new.yaml").code == 1);
}
