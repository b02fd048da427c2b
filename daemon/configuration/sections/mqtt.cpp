// mqtt: the broker, and what it may ask of the daemon.
#include <arpa/inet.h>
#include <netinet/in.h>

#include <algorithm>
#include <array>

#include "configuration/loopback.hpp"
#include "configuration/parts.hpp"

namespace dekeyd::formats {

namespace {

using namespace row_units;

constexpr std::array mqtt_rows{
    KeyRow{.path = "mqtt",
           .kind = KeyKind::section,
           .says = "The broker; without it, or while it is away, the amplifier is just as safe."},
    KeyRow{.path = "mqtt.host", .kind = KeyKind::text, .need = Need::required, .says = "The broker's name or address."},
    KeyRow{.path = "mqtt.tls",
           .kind = KeyKind::flag,
           .usual = "no",
           .says = "Whether the connection is encrypted and the broker shows a certificate."},
    KeyRow{.path = "mqtt.ca_file",
           .kind = KeyKind::path,
           .when = "with 'tls: yes'",
           .usual_words = "the system's authorities",
           .says = "The authority that has signed the broker's certificate."},
    KeyRow{.path = "mqtt.certificate_file",
           .kind = KeyKind::path,
           .when = "with 'tls: yes' and 'key_file'",
           .says = "Our own certificate, where the broker asks for one."},
    KeyRow{.path = "mqtt.key_file",
           .kind = KeyKind::path,
           .when = "with 'tls: yes' and 'certificate_file'",
           .says = "The key of our own certificate."},
    KeyRow{.path = "mqtt.port",
           .kind = KeyKind::whole,
           .between = fixed(1, 65'535, "it is a TCP port"),
           .usual_words = "1883, with TLS 8883",
           .says = "The broker's TCP port."},
    KeyRow{.path = "mqtt.user", .kind = KeyKind::text, .says = "The name by which we log in."},
    KeyRow{.path = "mqtt.password_file",
           .kind = KeyKind::path,
           .when = "with 'user'",
           .says = "A file with the password on its one line."},
    KeyRow{
        .path = "mqtt.password_in_clear",
        .kind = KeyKind::flag,
        .usual = "no",
        .says = "yes: the password may cross the network without TLS.",
    },
    KeyRow{.path = "mqtt.remote_release",
           .kind = KeyKind::flag,
           .usual = "no",
           .says = "Whether a hold may be released by MQTT."},
    KeyRow{.path = "mqtt.remote_reset",
           .kind = KeyKind::flag,
           .usual = "no",
           .says = "Whether a latch may be reset by MQTT."},
    KeyRow{.path = "mqtt.slowest",
           .kind = KeyKind::time,
           .between = fixed(100 * ms, day, "a value that is never sent again is not known to be current"),
           .usual = "30 s",
           .says = "A value is sent at least so often."},
    KeyRow{.path = "mqtt.fastest",
           .kind = KeyKind::time,
           .between = fixed(10 * ms, hour, "a broker is no recorder"),
           .usual = "500 ms",
           .says = "And at most so often."},
    KeyRow{.path = "mqtt.discovery_prefix",
           .kind = KeyKind::text,
           .usual_words = "not announced",
           .says = "Announces the amplifier to home dashboards that read MQTT device discovery, below this prefix."},
};

void read_credentials(Section& section, MqttConfig& mqtt) {
    mqtt.user = section.text("user").value_or("");
    if (section.has("password")) {
        section.allow("password");
        section.fault("password", "a password in a file that others may read",
                      "'password_file: /etc/dekeyd/broker-password' with the password on its one line");
    }
    mqtt.password_file = section.absolute_path("password_file").value_or("");
    mqtt.password_in_clear = section.flag_or_usual("password_in_clear");
    if (section.has("password_file") && !section.has("user"))
        section.fault("password_file", "a password without a user", "'user: …' beside it");
    if (!mqtt.password_file.empty() && !mqtt.tls && !mqtt.password_in_clear && !mqtt.host.empty() &&
        !is_loopback(mqtt.host))
        section.fault("password_file", "the password would cross the network unencrypted",
                      "'tls: yes' with the broker's 'ca_file:', or 'password_in_clear: yes' where that is meant");
}

void read_tls(Section& section, MqttConfig& mqtt) {
    mqtt.tls = section.flag_or_usual("tls");
    mqtt.ca_file = section.absolute_path("ca_file").value_or("");
    mqtt.certificate_file = section.absolute_path("certificate_file").value_or("");
    mqtt.key_file = section.absolute_path("key_file").value_or("");
    for (const std::string_view key : {"ca_file", "certificate_file", "key_file"}) {
        if (!mqtt.tls && section.has(key))
            section.fault(key, fmt::format("'{}' without TLS", key), "'tls: yes' beside it");
    }
    if (section.has("certificate_file") != section.has("key_file"))
        section.fault(section.has("key_file") ? "key_file" : "certificate_file",
                      "one of 'certificate_file' and 'key_file' without the other", "both, or neither");
}

bool is_host_name(std::string_view name) {
    if (name.ends_with('.')) name.remove_suffix(1);
    if (name.empty() || name.size() > 253) return false;
    while (true) {
        const std::string_view label = name.substr(0, name.find('.'));
        const bool fits = !label.empty() && label.size() <= 63 && label.front() != '-' && label.back() != '-' &&
                          std::all_of(label.begin(), label.end(), [](char c) {
                              return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                                     c == '-' || c == '_' || static_cast<unsigned char>(c) >= 0x80;
                          });
        if (!fits) return false;
        if (label.size() == name.size()) return true;
        name.remove_prefix(label.size() + 1);
    }
}

bool is_address(int family, const std::string& text) {
    std::array<unsigned char, sizeof(in6_addr)> room{};
    return ::inet_pton(family, text.c_str(), room.data()) == 1;
}

// What a broker takes as one or more levels of a topic, and a dashboard as its prefix.
void check_prefix(Section& section, const std::string& prefix) {
    constexpr std::string_view letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-/";
    constexpr std::size_t longest = 100;
    const bool whole = !prefix.starts_with('/') && !prefix.ends_with('/') && prefix.find("//") == std::string::npos;
    if (!prefix.empty() && prefix.size() <= longest && whole && prefix.find_first_not_of(letters) == std::string::npos)
        return;
    section.fault("discovery_prefix", fmt::format("'{}' is no prefix of topics", prefix),
                  "letters, digits, '_' and '-', in levels with '/' between them: homeassistant");
}

// The client would say only that it didn't connect, each time that it tries.
void check_host(Section& section, const std::string& host) {
    const std::string alone = "a name or an address alone; the port has its own key";
    if (host.starts_with('[') && host.ends_with(']')) {
        section.fault("host", fmt::format("'{}' has brackets", host),
                      fmt::format("the address without them: '{}'", host.substr(1, host.size() - 2)));
    } else if (host.find_first_of(" /@[]") != std::string::npos) {
        section.fault("host", fmt::format("'{}' is no host", host), alone);
    } else if (const std::size_t colon = host.find(':'); colon != std::string::npos) {
        // What stands behind % is the interface.
        if (is_address(AF_INET6, host.substr(0, host.find('%')))) return;
        const bool one = host.find(':', colon + 1) == std::string::npos;
        section.fault("host", fmt::format("'{}' is no IPv6 address", host),
                      one ? alone : "eight groups of up to four hexadecimal digits, or '::' once");
    } else if (!host.empty() && host.find_first_not_of("0123456789.") == std::string::npos) {
        if (!is_address(AF_INET, host))
            section.fault("host", fmt::format("'{}' is no IPv4 address", host),
                          "four numbers from 0 to 255 with points between them, or a name");
    } else if (!is_host_name(host)) {
        section.fault("host", fmt::format("'{}' is no host", host),
                      "a name of letters, digits and hyphens, in parts of at most 63 with points between them");
    }
}

}  // namespace

std::span<const KeyRow> mqtt_keys() {
    return mqtt_rows;
}

void read_mqtt(Section& top, Draft& draft) {
    Section section = top.section("mqtt");
    if (!section.present()) return;
    MqttConfig mqtt;
    mqtt.host = section.text("host").value_or("");
    if (section.has("host")) check_host(section, mqtt.host);
    read_tls(section, mqtt);
    constexpr int usual_port = 1883, usual_tls_port = 8883;
    mqtt.port = static_cast<int>(section.whole("port").value_or(mqtt.tls ? usual_tls_port : usual_port));
    read_credentials(section, mqtt);
    mqtt.remote_release = section.flag_or_usual("remote_release");
    mqtt.remote_reset = section.flag_or_usual("remote_reset");
    mqtt.slowest = section.duration_or_usual("slowest");
    mqtt.fastest = section.duration_or_usual("fastest");
    mqtt.discovery_prefix = section.text("discovery_prefix").value_or("");
    if (section.has("discovery_prefix")) check_prefix(section, mqtt.discovery_prefix);
    if (mqtt.fastest >= mqtt.slowest)
        section.fault(
            "fastest",
            fmt::format("{} between values at the fastest, {} at the slowest", show(mqtt.fastest), show(mqtt.slowest)),
            "'fastest' shorter than 'slowest'");
    if (mqtt.remote_reset)
        draft.report.advise(section.place_of("remote_reset"), section.path_of("remote_reset"),
                            "anyone who reaches the broker may clear a latch without having seen the amplifier");
    section.finish();
    draft.configuration.mqtt = std::move(mqtt);
}

}  // namespace dekeyd::formats
