#include "telemetry/broker_login.hpp"

#include <fmt/format.h>

#include <cstdlib>

#include "base/durable_file.hpp"
#include "configuration/loopback.hpp"

namespace dekeyd {
namespace {

constexpr std::size_t longest_password = 4096;

}  // namespace

std::string broker_uri(const formats::MqttConfig& mqtt) {
    const bool v6 = mqtt.host.find(':') != std::string::npos;
    return fmt::format("{}://{}{}{}:{}", mqtt.tls ? "ssl" : "tcp", v6 ? "[" : "", mqtt.host, v6 ? "]" : "", mqtt.port);
}

Login read_login(const formats::MqttConfig& mqtt) {
    Login login;
    login.user = mqtt.user;
    std::string path = mqtt.password_file;
    const char* credentials = std::getenv("CREDENTIALS_DIRECTORY");
    const bool from_systemd = path.empty() && !mqtt.user.empty() && credentials != nullptr;
    if (from_systemd) path = std::string{credentials} + "/mqtt-password";
    if (path.empty()) return login;

    formats::FileBytes file = formats::read_whole(path, longest_password);
    if (from_systemd && file.error == ENOENT) return login;
    if (file.too_large) {
        login.trouble = path + " has more than a password of 4096 bytes; put the password alone on its one line";
        return login;
    }
    if (!file.ok()) {
        login.trouble = formats::file_trouble("can't read the broker's password", path, file.error);
        return login;
    }
    if (file.bytes.ends_with('\n')) file.bytes.pop_back();
    if (file.bytes.ends_with('\r')) file.bytes.pop_back();
    if (file.bytes.empty()) {
        login.trouble = path + " is empty; put the broker's password on its one line";
        return login;
    }
    if (!mqtt.tls && !mqtt.password_in_clear && !formats::is_loopback(mqtt.host)) {
        login.trouble = fmt::format(
            "the password would go to {} in clear, so there is no connection; set 'tls: yes' with the broker's "
            "'ca_file', or 'password_in_clear: yes' where that is meant",
            mqtt.host);
        return login;
    }
    login.password = std::move(file.bytes);
    return login;
}

}  // namespace dekeyd
