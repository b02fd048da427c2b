#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

Loaded with_mqtt(std::string_view rest) {
    return load_configuration(spoiled("mqtt: {host: 127.0.0.1}", "mqtt: {" + std::string{rest} + "}"));
}

}  // namespace

TEST_CASE("a broker and what it may ask") {
    const Loaded plain = with_mqtt("host: 127.0.0.1");
    expect_no_faults(plain);
    const MqttConfig& mqtt = *plain.configuration->mqtt;
    CHECK(mqtt.port == 1883);
    CHECK_FALSE(mqtt.tls);
    CHECK_FALSE(mqtt.remote_release);
    CHECK_FALSE(mqtt.remote_reset);
    CHECK(mqtt.fastest == 500ms);
    CHECK(mqtt.slowest == 30s);
    const Loaded remote =
        with_mqtt("host: broker.lan, remote_release: yes, remote_reset: yes, fastest: 1 s, slowest: 1 min");
    expect_no_faults(remote);
    CHECK(remote.configuration->mqtt->remote_reset);
    CHECK(advised(remote, "mqtt.remote_reset: anyone who reaches the broker"));
    CHECK(with_mqtt("host: 127.0.0.1, tls: yes").configuration->mqtt->port == 8883);
    CHECK_FALSE(load_configuration(spoiled("mqtt: {host: 127.0.0.1}\n", "")).configuration->mqtt);
}

TEST_CASE("TLS and credentials") {
    const Loaded good = with_mqtt(
        "host: broker.lan, port: 8884, tls: yes, ca_file: /etc/dekeyd/ca.pem, certificate_file: /etc/dekeyd/c.pem, "
        "key_file: /etc/dekeyd/k.pem, user: amplifier, password_file: /etc/dekeyd/password");
    expect_no_faults(good);
    CHECK(good.configuration->mqtt->port == 8884);
    CHECK(good.configuration->mqtt->key_file == "/etc/dekeyd/k.pem");
    expect_faults(with_mqtt("host: broker.lan, ca_file: /a, key_file: /k"),
                  {{50, "mqtt.ca_file", "'ca_file' without TLS"},
                   {50, "mqtt.key_file", "'key_file' without TLS"},
                   {50, "mqtt.key_file", "one of 'certificate_file' and 'key_file' without the other"}});
    expect_faults(with_mqtt("host: broker.lan, user: a, password_file: /p"),
                  {{50, "mqtt.password_file", "the password would cross the network unencrypted"}});
    expect_no_faults(with_mqtt("host: broker.lan, user: a, password_file: /p, password_in_clear: yes"));
    expect_no_faults(with_mqtt("host: 127.0.0.1, user: a, password_file: /p"));
    expect_no_faults(with_mqtt("host: localhost, user: a, password_file: /p"));
    expect_no_faults(with_mqtt("host: \"::1\", user: a, password_file: /p"));
    expect_faults(with_mqtt("host: 127.example.net, user: a, password_file: /p"),
                  {{50, "mqtt.password_file", "the password would cross the network unencrypted"}});
    expect_faults(with_mqtt("host: 127.0.0.1, password_file: /p"),
                  {{50, "mqtt.password_file", "a password without a user"}});
    expect_faults(with_mqtt("host: 127.0.0.1, user: a, password: secret"),
                  {{50, "mqtt.password", "a password in a file that others may read"}});
}

TEST_CASE("a host that no client could reach is refused, with what is wrong with it") {
    const auto refused = [](const char* host, const char* what, const char* expected) {
        CAPTURE(host);
        const Loaded loaded = with_mqtt("host: '" + std::string{host} + "'");
        expect_faults(loaded, {{50, "mqtt.host", what}});
        REQUIRE(loaded.faults.size() == 1);
        CHECK(loaded.faults[0].what == what);
        CHECK(loaded.faults[0].expected == expected);
    };
    constexpr const char* four = "four numbers from 0 to 255 with points between them, or a name";
    constexpr const char* alone = "a name or an address alone; the port has its own key";
    constexpr const char* groups = "eight groups of up to four hexadecimal digits, or '::' once";
    constexpr const char* parts =
        "a name of letters, digits and hyphens, in parts of at most 63 with points between them";
    refused("300.1.2.3", "'300.1.2.3' is no IPv4 address", four);
    refused("1.2.3", "'1.2.3' is no IPv4 address", four);
    refused("[::1]", "'[::1]' has brackets", "the address without them: '::1'");
    refused("[::1]:1883", "'[::1]:1883' is no host", alone);
    refused("broker.lan:1883", "'broker.lan:1883' is no IPv6 address", alone);
    refused("fe80:::1", "'fe80:::1' is no IPv6 address", groups);
    refused("mqtt://broker", "'mqtt://broker' is no host", alone);
    refused("broker..lan", "'broker..lan' is no host", parts);
    refused("-broker", "'-broker' is no host", parts);
    refused("bro!ker", "'bro!ker' is no host", parts);
    for (const char* host : {"10.0.0.7", "::1", "fe80::1%eth0", "broker", "broker_2.lan.", "a-b.example"}) {
        CAPTURE(host);
        expect_no_faults(with_mqtt("host: '" + std::string{host} + "'"));
    }
    // RFC 1035, 2.3.4: 63 octets a label.
    expect_no_faults(with_mqtt("host: " + std::string(63, 'a')));
    refused(std::string(64, 'a').c_str(), ("'" + std::string(64, 'a') + "' is no host").c_str(), parts);
}

TEST_CASE("bad values") {
    expect_faults(with_mqtt("hots: 127.0.0.1, port: 0, fastest: 1 min, slowest: 1 s"),
                  {{50, "mqtt.hots", "the key 'hots' is not known here"},
                   {50, "mqtt.port", "'0' is outside 1 to 65535"},
                   {50, "mqtt.fastest", "1 min between values"}});
    expect_faults(with_mqtt("host: \"mqtt://broker\", port: 1883"), {{50, "mqtt.host", "'mqtt://broker' is no host"}});
    expect_faults(with_mqtt("host: 127.0.0.1, port: 70000"), {{50, "mqtt.port", "'70000' is outside 1 to 65535"}});
}

TEST_CASE("no password appears in a message") {
    const Loaded loaded = with_mqtt("host: 127.0.0.1, user: a, password: hunter2secret");
    for (const Fault& fault : loaded.faults) {
        CHECK(fault.what.find("hunter2secret") == std::string::npos);
        CHECK(fault.expected.find("hunter2secret") == std::string::npos);
    }
}

TEST_CASE("the guard guards without a broker whose section has faults; the telemetry and a check refuse it") {
    const std::string faulty = spoiled("mqtt: {host: 127.0.0.1}", "mqtt: {hos: 127.0.0.1, remote_reset: yes, port: 0}");
    const Loaded all = load_configuration(faulty);
    CHECK_FALSE(all.configuration);
    const Loaded guards = load_configuration(faulty, {}, Reads::the_guards_part);
    REQUIRE(guards.configuration);
    CHECK(guards.faults.size() == all.faults.size());  // it says them all the same
    REQUIRE(guards.configuration->mqtt);               // there is to be a telemetry, and nothing that it may command
    CHECK_FALSE(guards.configuration->mqtt->remote_reset);
    CHECK(guards.configuration->text == faulty);
    // One fault elsewhere, and it refuses too.
    std::string both = faulty;
    both.replace(both.find("dekeyd: 1"), 9, "dekeyd: 2");
    CHECK_FALSE(load_configuration(both, {}, Reads::the_guards_part).configuration);
    const std::string sound = spoiled("mqtt: {host: 127.0.0.1}", "mqtt: {host: 127.0.0.2}");
    CHECK(load_configuration(sound, {}, Reads::the_guards_part).faults.empty());
}

TEST_CASE("a prefix for home dashboards is one or more levels of a topic") {
    CHECK(with_mqtt("host: 127.0.0.1").configuration->mqtt->discovery_prefix.empty());
    for (const char* const good : {"homeassistant", "house/discovery", "a_b-C9"}) {
        const Loaded loaded = with_mqtt(std::string{"host: 127.0.0.1, discovery_prefix: "} + good);
        expect_no_faults(loaded);
        CHECK(loaded.configuration->mqtt->discovery_prefix == good);
    }
    for (const char* const bad : {"/house", "house/", "a//b", "a/+/b", "a/#", "$SYS", "a b", ""}) {
        CAPTURE(bad);
        CHECK_FALSE(with_mqtt(std::string{"host: 127.0.0.1, discovery_prefix: '"} + bad + "'").faults.empty());
    }
}
