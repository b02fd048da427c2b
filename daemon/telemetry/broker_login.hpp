// How to reach the broker and as whom: address, password, and whether the password may go there.
#pragma once

#include <string>

#include "configuration/configuration.hpp"

namespace dekeyd {

/// "tcp://host:port" or "ssl://host:port"; an IPv6 address in brackets.
std::string broker_uri(const formats::MqttConfig& mqtt);

struct Login {
    std::string user;
    std::string password;  ///< never logged
    std::string trouble;   ///< why there must be no connection; what, where and how to mend it. Empty: go ahead
};

/// Reads the password anew (it may have been changed): from `password_file`, or else, where a user is set, from
/// `mqtt-password` in the folder of systemd's credentials ($CREDENTIALS_DIRECTORY), if it is there. One final line
/// break is taken off. Refuses to send it in clear to a broker elsewhere unless the configuration says so.
Login read_login(const formats::MqttConfig& mqtt);

}  // namespace dekeyd
