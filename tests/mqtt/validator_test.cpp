#include "mqtt/validator.hpp"

#include <doctest/doctest.h>

#include "mqtt/payloads.hpp"

using namespace dekeyd;
using test::faults_of_session;
using test::fits;
using test::Heard;

namespace {

const std::string description =
    R"({"homie":"5.0","version":1,"name":"x","nodes":{"n":{"name":"N","properties":{)"
    R"("value":{"name":"V","datatype":"float","format":"0:"},)"
    R"("press":{"name":"P","datatype":"enum","format":"go","settable":true,"retained":false}}}}})";

Heard heard(const std::string& topic, const std::string& payload, int qos = 1) {
    return {.at = {}, .topic = "homie/5/d/" + topic, .payload = payload, .qos = qos, .retained = false};
}

std::vector<Heard> right_session() {
    return {heard("$state", "init"),   heard("$description", description),
            heard("n/value", "1.5"),   heard("$alert/hot", "It is hot."),
            heard("$state", "ready"),  heard("n/press/set", "go", 0),
            heard("n/press", "go", 0), heard("$log/info", "Pressed.", 0),
            heard("n/value", ""),      heard("n/value", "2"),
            heard("$alert/hot", ""),   heard("$state", "disconnected")};
}

}  // namespace

TEST_CASE("a right session has no fault") {
    CHECK(faults_of_session(right_session(), "d").empty());
}

TEST_CASE("each broken rule is found") {
    const auto broken = [](std::size_t at, const Heard& instead) {
        auto session = right_session();
        session[at] = instead;
        return faults_of_session(session, "d").size();
    };
    CHECK(broken(0, heard("$state", "ready")) > 0);
    CHECK(broken(0, heard("$state", "started")) > 0);
    CHECK(broken(1, heard("$description", "{}")) > 0);
    CHECK(broken(1, heard("$description", "[")) > 0);
    CHECK(broken(2, heard("n/value", "NaN")) > 0);
    CHECK(broken(2, heard("n/value", "-1")) > 0);
    CHECK(broken(2, heard("n/value", "1,5")) > 0);
    CHECK(broken(2, heard("n/value", "1.5", 0)) > 0);
    CHECK(broken(2, heard("n/other", "1.5")) > 0);
    CHECK(broken(2, heard("n/value/deeper/still", "1.5")) > 0);
    CHECK(broken(2, heard("$alert/cold", "y")) > 0);  // and so no value before ready
    CHECK(broken(3, heard("$alert/Hot", "It is hot.")) > 0);
    CHECK(broken(6, heard("n/press", "go", 1)) > 0);
    CHECK(broken(6, heard("n/press", "stop", 0)) > 0);
    CHECK(broken(7, heard("$log/shout", "Pressed.", 0)) > 0);
    CHECK(broken(7, heard("$description", description)) > 0);  // not while ready
    CHECK(broken(11, heard("$state", "lost")) == 0);
    CHECK(broken(11, heard("$stats", "x")) > 0);
}

TEST_CASE("payloads and formats") {
    CHECK(fits("integer", "0:", "12"));
    CHECK_FALSE(fits("integer", "0:", "-1"));
    CHECK_FALSE(fits("integer", "", "1.0"));
    CHECK_FALSE(fits("integer", "", "99999999999999999999"));
    CHECK(fits("float", ":5", "-3e2"));
    CHECK_FALSE(fits("float", ":5", "5.1"));
    CHECK_FALSE(fits("float", "", "inf"));
    CHECK_FALSE(fits("float", "", "-"));
    CHECK_FALSE(fits("float", "", ""));
    CHECK(fits("boolean", "off,on", "true"));
    CHECK_FALSE(fits("boolean", "off,on", "on"));
    CHECK_FALSE(fits("enum", "a,b", "a,b"));
    CHECK(fits("json", "", "{\"a\":null}"));
    CHECK_FALSE(fits("json", "", "1"));
}
