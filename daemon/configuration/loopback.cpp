#include "configuration/loopback.hpp"

#include <arpa/inet.h>

namespace dekeyd::formats {

bool is_loopback(const std::string& host) noexcept {
    if (host == "localhost") return true;
    in_addr v4{};
    if (::inet_pton(AF_INET, host.c_str(), &v4) == 1) return (ntohl(v4.s_addr) >> 24U) == 127U;
    in6_addr v6{};
    return ::inet_pton(AF_INET6, host.c_str(), &v6) == 1 && IN6_IS_ADDR_LOOPBACK(&v6);
}

}  // namespace dekeyd::formats
