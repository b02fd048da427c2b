#include "configuration/loopback.hpp"

#include <doctest/doctest.h>

using dekeyd::formats::is_loopback;

TEST_CASE("loopback: the name localhost, 127.0.0.0/8 and ::1 (RFC 1122, 3.2.1.3; RFC 4291, 2.5.3)") {
    for (const char* host : {"localhost", "127.0.0.1", "127.9.9.9", "127.255.255.255", "::1", "0:0:0:0:0:0:0:1"}) {
        CAPTURE(host);
        CHECK(is_loopback(host));
    }
}

TEST_CASE("the start of a name proves nothing") {
    for (const char* host :
         {"127.example.net", "127.0.0.1.example.net", "127.", "127", "127.1", "localhost.example.net", "Localhost ",
          "128.0.0.1", "126.255.255.255", "12.7.0.1", "::2", "::", "fe80::1", "broker.example.net", ""}) {
        CAPTURE(host);
        CHECK_FALSE(is_loopback(host));
    }
}
