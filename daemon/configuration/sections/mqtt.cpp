// mqtt: the broker, and what it may ask of the daemon.
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

}  // namespace

std::span<const KeyRow> mqtt_keys() {
    return mqtt_rows;
}

void read_mqtt(Section& top, Draft& draft) {
    Section section = top.section("mqtt");
    if (!section.present()) return;
    MqttConfig mqtt;
    mqtt.host = section.text("host").value_or("");
    if (mqtt.host.find_first_of(" /@") != std::string::npos)
        section.fault("host", fmt::format("'{}' is no host", mqtt.host),
                      "a name or an address alone; the port has its own key");
    read_tls(section, mqtt);
    constexpr int usual_port = 1883, usual_tls_port = 8883;
    mqtt.port = static_cast<int>(section.whole("port").value_or(mqtt.tls ? usual_tls_port : usual_port));
    read_credentials(section, mqtt);
    mqtt.remote_release = section.flag_or_usual("remote_release");
    mqtt.remote_reset = section.flag_or_usual("remote_reset");
    mqtt.slowest = section.duration_or_usual("slowest");
    mqtt.fastest = section.duration_or_usual("fastest");
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
