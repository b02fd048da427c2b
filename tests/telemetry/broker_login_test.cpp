#include "telemetry/broker_login.hpp"

#include <doctest/doctest.h>

#include <cstdlib>
#include <fstream>

#include "temporary_folder.hpp"

using namespace dekeyd;

namespace {

formats::MqttConfig mqtt(const std::string& host) {
    formats::MqttConfig made;
    made.host = host;
    made.user = "hilltop";
    return made;
}

}  // namespace

TEST_CASE("the broker's address as the client wants it") {
    CHECK(broker_uri(mqtt("127.0.0.1")) == "tcp://127.0.0.1:1883");
    formats::MqttConfig tls = mqtt("fe80::1");
    tls.tls = true;
    tls.port = 8883;
    CHECK(broker_uri(tls) == "ssl://[fe80::1]:8883");
}

TEST_CASE("the password is read from its file, and is not sent in clear elsewhere unless that is meant") {
    const test::TemporaryFolder folder;
    std::ofstream{folder / "password"} << "open sesame\n";
    formats::MqttConfig here = mqtt("127.0.0.1");
    here.password_file = folder / "password";
    CHECK(read_login(here).password == "open sesame");
    CHECK(read_login(here).user == "hilltop");
    CHECK(read_login(here).trouble.empty());

    formats::MqttConfig away = here;
    away.host = "broker.example.net";
    CHECK(read_login(away).password.empty());
    CHECK(read_login(away).trouble.find("in clear") != std::string::npos);
    CHECK(read_login(away).trouble.find("sesame") == std::string::npos);
    away.tls = true;
    CHECK(read_login(away).password == "open sesame");
    away.tls = false;
    away.password_in_clear = true;
    CHECK(read_login(away).password == "open sesame");
}

TEST_CASE("a password that can't be had is no connection without one") {
    const test::TemporaryFolder folder;
    formats::MqttConfig here = mqtt("127.0.0.1");
    here.password_file = folder / "missing";
    CHECK(read_login(here).trouble.find(here.password_file) != std::string::npos);
    std::ofstream{folder / "empty"} << "\n";
    here.password_file = folder / "empty";
    CHECK_FALSE(read_login(here).trouble.empty());
    std::ofstream{folder / "huge"} << std::string(5000, 'x');
    here.password_file = folder / "huge";
    CHECK_FALSE(read_login(here).trouble.empty());
}

TEST_CASE("systemd's credential is taken where the configuration names no file") {
    const test::TemporaryFolder folder;
    ::setenv("CREDENTIALS_DIRECTORY", folder.path().c_str(), 1);
    CHECK(read_login(mqtt("127.0.0.1")).password.empty());
    CHECK(read_login(mqtt("127.0.0.1")).trouble.empty());
    std::ofstream{folder / "mqtt-password"} << "from systemd";
    CHECK(read_login(mqtt("127.0.0.1")).password == "from systemd");
    CHECK_FALSE(read_login(mqtt("broker.example.net")).trouble.empty());
    formats::MqttConfig nobody = mqtt("127.0.0.1");
    nobody.user.clear();
    CHECK(read_login(nobody).password.empty());
    ::unsetenv("CREDENTIALS_DIRECTORY");
}
