// Certificates, names, passwords and access rules against a real broker.
#include <doctest/doctest.h>
#include <fcntl.h>
#include <spdlog/sinks/base_sink.h>
#include <spdlog/spdlog.h>
#include <sys/wait.h>
#include <unistd.h>

#include <fstream>
#include <mutex>

#include "base/durable_file.hpp"
#include "eventually.hpp"
#include "mqtt/amplifier.hpp"
#include "mqtt/broker.hpp"
#include "mqtt/listener.hpp"
#include "mqtt/proxy.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;
using test::Amplifier;
using test::Broker;
using test::eventually;
using test::Listener;
using test::Proxy;

namespace {

bool run(const std::vector<std::string>& command) {
    const pid_t pid = ::fork();
    if (pid == 0) {
        std::vector<char*> arguments;
        for (const std::string& one : command) arguments.push_back(const_cast<char*>(one.c_str()));
        arguments.push_back(nullptr);
        const int nowhere = ::open("/dev/null", O_WRONLY);
        ::dup2(nowhere, 1);
        ::dup2(nowhere, 2);
        ::execvp(arguments[0], arguments.data());
        ::_exit(127);
    }
    int status = 0;
    return ::waitpid(pid, &status, 0) == pid && WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

/// A certificate authority, and certificates by it for whatever names.
class Authority {
public:
    explicit Authority(const std::string& name) {
        made_ = run({"openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-keyout", key(), "-out",
                     certificate(), "-subj", "/CN=" + name});
    }
    [[nodiscard]] bool made() const noexcept { return made_; }
    [[nodiscard]] std::string certificate() const { return folder_ / "ca.pem"; }

    /// <name>.pem and <name>.key for `subject`, with `alternative` as its alternative name ("DNS:localhost").
    bool issue(const std::string& name, const std::string& subject, const std::string& alternative) {
        std::ofstream{folder_ / "extension"} << "subjectAltName=" << alternative << "\n";
        return run({"openssl", "req", "-newkey", "rsa:2048", "-nodes", "-keyout", file(name + ".key"), "-out",
                    file(name + ".csr"), "-subj", "/CN=" + subject}) &&
               run({"openssl", "x509", "-req", "-in", file(name + ".csr"), "-CA", certificate(), "-CAkey", key(),
                    "-CAcreateserial", "-days", "2", "-out", file(name + ".pem"), "-extfile", file("extension")});
    }
    [[nodiscard]] std::string file(const std::string& name) const { return folder_ / name; }

private:
    [[nodiscard]] std::string key() const { return folder_ / "ca.key"; }
    test::TemporaryFolder folder_;
    bool made_ = false;
};

/// Everything that was logged meanwhile.
class Log {
public:
    Log() : sink_{std::make_shared<Sink>()} {
        before_ = spdlog::default_logger();
        spdlog::set_default_logger(std::make_shared<spdlog::logger>("test", sink_));
    }
    ~Log() { spdlog::set_default_logger(before_); }
    [[nodiscard]] std::string text() const { return sink_->text(); }
    [[nodiscard]] bool has(const std::string& words) const { return sink_->text().find(words) != std::string::npos; }

private:
    class Sink final : public spdlog::sinks::base_sink<std::mutex> {
    public:
        std::string text() {
            const std::lock_guard lock{mutex_};
            return text_;
        }

    protected:
        void sink_it_(const spdlog::details::log_msg& message) override {
            text_.append(message.payload.data(), message.payload.size()).append("\n");
        }
        void flush_() override {}

    private:
        std::string text_;
    };
    std::shared_ptr<Sink> sink_;
    std::shared_ptr<spdlog::logger> before_;
};

std::string tls_settings(const Authority& authority, const std::string& server, bool ask_for_certificate) {
    return "allow_anonymous true\ncafile " + authority.certificate() + "\ncertfile " + authority.file(server + ".pem") +
           "\nkeyfile " + authority.file(server + ".key") + "\n" +
           (ask_for_certificate ? "require_certificate true\n" : "");
}

}  // namespace

TEST_CASE("TLS: the broker must prove its name, by an authority that we trust") {
    Authority ours{"Hill-top authority"};
    Authority another{"Another authority"};
    REQUIRE(ours.made());
    REQUIRE(another.made());
    REQUIRE(ours.issue("server", "localhost", "DNS:localhost"));
    REQUIRE(ours.issue("client", "hilltop", "DNS:hilltop"));
    Broker broker{tls_settings(ours, "server", true)};

    const auto connects = [&](const std::string& host, const std::string& ca, bool with_certificate) {
        Amplifier amplifier{broker.port()};
        amplifier.configuration.mqtt->host = host;
        amplifier.configuration.mqtt->tls = true;
        amplifier.configuration.mqtt->ca_file = ca;
        if (with_certificate) {
            amplifier.configuration.mqtt->certificate_file = ours.file("client.pem");
            amplifier.configuration.mqtt->key_file = ours.file("client.key");
        }
        const Log log;
        amplifier.start();
        const bool up =
            eventually([&] { return amplifier.telemetry->connected() || log.has("guarded all the same"); }) &&
            amplifier.telemetry->connected();
        amplifier.stop();
        if (!up) MESSAGE(log.text());
        return up;
    };
    CHECK(connects("localhost", ours.certificate(), true));
    CHECK_FALSE(connects("127.0.0.1", ours.certificate(), true));  // the right broker under a name it hasn't proved
    CHECK_FALSE(connects("localhost", another.certificate(), true));
    CHECK_FALSE(connects("localhost", ours.certificate(), false));
    CHECK(connects("localhost", ours.certificate(), true));
}

TEST_CASE("a password opens the door, a wrong one is said without being shown") {
    const test::TemporaryFolder folder;
    REQUIRE(run({"mosquitto_passwd", "-c", "-b", folder / "users", "hilltop", "open-sesame"}));
    Broker broker{"allow_anonymous false\npassword_file " + (folder / "users") + "\n"};
    const std::string password = folder / "password";

    const Log log;
    REQUIRE(formats::write_durably(password, "wrong-word\n") == "");
    Amplifier amplifier{broker.port()};
    amplifier.configuration.mqtt->user = "hilltop";
    amplifier.configuration.mqtt->password_file = password;
    amplifier.start();
    REQUIRE(eventually([&] { return log.has("guarded all the same"); }));
    CHECK_FALSE(amplifier.telemetry->connected());
    // The right one is read at the next try, without a restart.
    REQUIRE(formats::write_durably(password, "open-sesame\n") == "");
    REQUIRE(eventually([&] { return amplifier.telemetry->connected(); }));
    amplifier.stop();
    CHECK_FALSE(log.has("wrong-word"));
    CHECK_FALSE(log.has("open-sesame"));
}

TEST_CASE("a password stays here rather than cross the network in clear") {
    const test::TemporaryFolder folder;
    REQUIRE(formats::write_durably(folder / "password", "open-sesame\n") == "");
    const Log log;
    Amplifier amplifier{1};
    amplifier.configuration.mqtt->host = "192.0.2.1";  // TEST-NET-1, RFC 5737: nobody is there
    amplifier.configuration.mqtt->user = "hilltop";
    amplifier.configuration.mqtt->password_file = folder / "password";
    amplifier.start();
    REQUIRE(eventually([&] { return log.has("in clear"); }));
    amplifier.stop();
    CHECK_FALSE(log.has("open-sesame"));
}

TEST_CASE("access rules that let a device write its own tree and read its commands are enough") {
    const test::TemporaryFolder folder;
    REQUIRE(run({"mosquitto_passwd", "-c", "-b", folder / "users", "hilltop", "open-sesame"}));
    REQUIRE(formats::write_durably(folder / "password", "open-sesame\n") == "");
    std::ofstream{folder / "access"} << "user hilltop\n"
                                        "topic write homie/5/hilltop/#\n"
                                        "topic read homie/5/hilltop/+/+/set\n"
                                        "topic write dekeyd/hilltop/#\n"
                                        "user operator\n"
                                        "topic read #\n"
                                        "topic write homie/5/hilltop/permit/+/set\n";
    REQUIRE(run({"mosquitto_passwd", "-b", folder / "users", "operator", "look-only"}));
    Broker broker{"allow_anonymous false\npassword_file " + (folder / "users") + "\nacl_file " + (folder / "access") +
                  "\n"};
    Proxy proxy{broker.port()};
    Amplifier amplifier{proxy.port()};
    amplifier.configuration.mqtt->user = "hilltop";
    amplifier.configuration.mqtt->password_file = folder / "password";
    amplifier.start();
    REQUIRE(eventually([&] { return amplifier.telemetry->connected(); }));
    REQUIRE(eventually([&] { return amplifier.place->number() == 1; }));
    Listener listener{broker.port(), "#", "operator", "operator", "look-only"};
    REQUIRE(eventually([&] { return listener.last(amplifier.base() + "/$state") == "ready"; }));
    listener.publish(amplifier.base() + "/permit/hold/set", "hold");
    REQUIRE(eventually([&] { return amplifier.commands.front() != nullptr; }));

    // It can't read back what it left at the broker, and takes away its own alert all the same.
    const std::string alert = amplifier.base() + "/$alert/limit-vswr";
    amplifier.trip();
    REQUIRE(eventually([&] { return listener.last(alert).has_value(); }));
    // Not even where taking it away was sent, and the connection ended before the broker had it.
    proxy.black_hole(true);
    amplifier.snapshot.causes[test::vswr_limit] = {};
    amplifier.snapshot.causes[test::vswr_limit].condition = core::Condition::clear;
    amplifier.step(amplifier.event(core::EventKind::reset));
    REQUIRE(eventually([&] { return proxy.swallowed(alert); }));
    proxy.cut();
    proxy.black_hole(false);
    REQUIRE(eventually([&] { return listener.last(alert) == ""; }));
    amplifier.stop();
}
