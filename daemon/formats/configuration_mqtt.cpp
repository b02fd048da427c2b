// mqtt: the broker, and what it may ask of the daemon.
#include "formats/configuration_parts.hpp"
#include "formats/loopback.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;

namespace {

void read_credentials(Section& section, MqttConfig& mqtt) {
    mqtt.user = section.text("user", Need::optional).value_or("");
    if (section.has("password")) {
        section.allow("password");
        section.fault("password", "a password in a file that others may read",
                      "'password_file: /etc/dekeyd/broker-password' with the password on its one line");
    }
    mqtt.password_file = section.absolute_path("password_file", Need::optional).value_or("");
    mqtt.password_in_clear = section.flag("password_in_clear", Need::optional).value_or(false);
    if (section.has("password_file") && !section.has("user"))
        section.fault("password_file", "a password without a user", "'user: …' beside it");
    if (!mqtt.password_file.empty() && !mqtt.tls && !mqtt.password_in_clear && !mqtt.host.empty() &&
        !is_loopback(mqtt.host))
        section.fault("password_file", "the password would cross the network unencrypted",
                      "'tls: yes' with the broker's 'ca_file:', or 'password_in_clear: yes' where that is meant");
}

void read_tls(Section& section, MqttConfig& mqtt) {
    mqtt.tls = section.flag("tls", Need::optional).value_or(false);
    mqtt.ca_file = section.absolute_path("ca_file", Need::optional).value_or("");
    mqtt.certificate_file = section.absolute_path("certificate_file", Need::optional).value_or("");
    mqtt.key_file = section.absolute_path("key_file", Need::optional).value_or("");
    for (const std::string_view key : {"ca_file", "certificate_file", "key_file"}) {
        if (!mqtt.tls && section.has(key))
            section.fault(key, fmt::format("'{}' without TLS", key), "'tls: yes' beside it");
    }
    if (section.has("certificate_file") != section.has("key_file"))
        section.fault(section.has("key_file") ? "key_file" : "certificate_file",
                      "one of 'certificate_file' and 'key_file' without the other", "both, or neither");
}

}  // namespace

void read_mqtt(Section& top, Draft& draft) {
    Section section = top.section("mqtt", Need::optional);
    if (!section.present()) return;
    MqttConfig mqtt;
    mqtt.host = section.text("host", Need::required).value_or("");
    if (mqtt.host.find_first_of(" /@") != std::string::npos)
        section.fault("host", fmt::format("'{}' is no host", mqtt.host),
                      "a name or an address alone; the port has its own key");
    read_tls(section, mqtt);
    constexpr int usual_port = 1883, usual_tls_port = 8883;
    mqtt.port =
        static_cast<int>(section.whole("port", Need::optional).value_or(mqtt.tls ? usual_tls_port : usual_port));
    read_credentials(section, mqtt);
    mqtt.remote_release = section.flag("remote_release", Need::optional).value_or(false);
    mqtt.remote_reset = section.flag("remote_reset", Need::optional).value_or(false);
    mqtt.slowest = section.duration("slowest", Need::optional).value_or(30s);
    mqtt.fastest = section.duration("fastest", Need::optional).value_or(500ms);
    if (mqtt.fastest >= mqtt.slowest)
        section.fault(
            "fastest",
            fmt::format("{} between values at the fastest, {} at the slowest", show(mqtt.fastest), show(mqtt.slowest)),
            "'fastest' shorter than 'slowest'");
    if (mqtt.remote_reset)
        draft.report.advise(section.place_of("remote_reset"), section.path_of("remote_reset"),
                            "whoever reaches the broker may clear a latch without having seen the amplifier");
    section.finish();
    draft.configuration.mqtt = std::move(mqtt);
}

}  // namespace dekeyd::formats
