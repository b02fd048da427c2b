// signal: what a receiver elsewhere measures. Nothing of it reaches the plan.
#include <algorithm>

#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

constexpr std::string_view shoulders = "shoulder_attenuation: {topic: receiver/shoulders, warn_below: 40 dB}";
constexpr std::size_t line = 52;  // of what with_more() adds

std::string with_signal(std::string_view rest) {
    return with_more("signal: {" + std::string{rest} + "}\n");
}
std::string with_topic(std::string_view topic) {
    return with_signal("shoulder_attenuation: {topic: '" + std::string{topic} + "', warn_below: 40 dB}");
}

}  // namespace

TEST_CASE("a receiver's measurements: one or both, each with its topic, level and age") {
    const Loaded both = load_configuration(
        with_signal(std::string{shoulders} + ", modulation_error_ratio: {topic: receiver/mer, warn_below: 20.5 dB, "
                                             "allowed_age: 5 s}"));
    expect_no_faults(both);
    const SignalConfig& signal = both.configuration->signal.value();
    CHECK(signal[0]->topic == "receiver/shoulders");
    CHECK(signal[0]->warn_below_db == 40.0);
    CHECK(signal[0]->allowed_age == 30s);
    CHECK(signal[1]->topic == "receiver/mer");
    CHECK(signal[1]->warn_below_db == 20.5);
    CHECK(signal[1]->allowed_age == 5s);
    const Loaded one = load_configuration(with_signal(shoulders));
    expect_no_faults(one);
    CHECK_FALSE(one.configuration->signal->at(1));
    CHECK_FALSE(load_configuration(sample_text).configuration->signal);
}

TEST_CASE("a topic is exact, the receiver's and one measurement's alone") {
    const auto refused = [](const char* topic, const char* what) {
        CAPTURE(topic);
        expect_faults(load_configuration(with_topic(topic)), {{line, "signal.shoulder_attenuation.topic", what}});
    };
    refused("receiver/+", "'receiver/+' has a wildcard");
    refused("receiver/#", "'receiver/#' has a wildcard");
    refused("#", "'#' has a wildcard");
    refused("receiver/a+b", "'receiver/a+b' has a wildcard");  // no topic at all
    refused("$SYS/broker/load", "'$SYS/broker/load' is one of the broker's own");
    refused("homie/5/bench/permit/permit", "'homie/5/bench/permit/permit' is one of this device's own");
    refused("homie/5/bench", "'homie/5/bench' is one of this device's own");
    refused("dekeyd/bench/event", "'dekeyd/bench/event' is one of this device's own");
    expect_no_faults(load_configuration(with_topic("homie/5/bench2/measurements/mer")));
    expect_no_faults(load_configuration(with_topic("dekeyd/bench-receiver/mer")));
    expect_no_faults(load_configuration(with_topic("receiver/set")));
    const std::string twice = std::string{shoulders} +
                              ", modulation_error_ratio: {topic: receiver/shoulders, "
                              "warn_below: 20 dB}";
    expect_faults(load_configuration(with_signal(twice)),
                  {{line, "signal.modulation_error_ratio.topic",
                    "'receiver/shoulders' is the other measurement's topic as well"}});
    const std::string announced = spoiled(with_topic("home/device/bench/config"), "mqtt: {host: 127.0.0.1}",
                                          "mqtt: {host: 127.0.0.1, discovery_prefix: home}");
    expect_faults(load_configuration(announced), {{line, "signal.shoulder_attenuation.topic",
                                                   "'home/device/bench/config' is one of this device's own"}});
}

TEST_CASE("what a measurement needs, and how far its figures may go") {
    expect_faults(load_configuration(with_signal("shoulder_attenuation: {topic: a}")),
                  {{line, "signal.shoulder_attenuation.warn_below", "'warn_below' is missing"}});
    expect_faults(load_configuration(with_signal("shoulder_attenuation: {warn_below: 40 dB}")),
                  {{line, "signal.shoulder_attenuation.topic", "'topic' is missing"}});
    const auto of = [](const char* rest) {
        return load_configuration(with_signal("shoulder_attenuation: {topic: a, " + std::string{rest} + "}"));
    };
    expect_no_faults(of("warn_below: 0 dB"));
    expect_no_faults(of("warn_below: 100 dB"));
    expect_faults(of("warn_below: -1 dB"), {{line, "signal.shoulder_attenuation.warn_below", ""}});
    expect_faults(of("warn_below: 101 dB"), {{line, "signal.shoulder_attenuation.warn_below", ""}});
    expect_faults(of("warn_below: 40"), {{line, "signal.shoulder_attenuation.warn_below", ""}});
    expect_no_faults(of("warn_below: 40 dB, allowed_age: 1 s"));
    expect_no_faults(of("warn_below: 40 dB, allowed_age: 1 h"));
    expect_faults(of("warn_below: 40 dB, allowed_age: 999 ms"),
                  {{line, "signal.shoulder_attenuation.allowed_age", ""}});
    expect_faults(of("warn_below: 40 dB, allowed_age: 61 min"),
                  {{line, "signal.shoulder_attenuation.allowed_age", ""}});
    expect_faults(load_configuration(with_signal("")), {{line, "signal", "no measurement"}});
    expect_faults(load_configuration(with_signal("shoulders: {topic: a, warn_below: 40 dB}")),
                  {{line, "signal", "no measurement"}, {line, "signal.shoulders", "the key 'shoulders' is not known"}});
}

TEST_CASE("without a broker there is nothing to listen to") {
    const std::string text = spoiled(with_signal(shoulders), "mqtt: {host: 127.0.0.1}\n", "");
    expect_faults(load_configuration(text), {{line - 1, "signal", "a receiver's measurements without a broker"}});
}

TEST_CASE("the guard checks it, keeps nothing of it, and guards whatever is wrong with it") {
    const Loaded sound = load_configuration(with_signal(shoulders), {}, Reads::the_guards_part);
    expect_no_faults(sound);
    CHECK_FALSE(sound.configuration->signal);
    CHECK(sound.configuration->mqtt->host == "127.0.0.1");
    const Loaded faulty = load_configuration(with_topic("#"), {}, Reads::the_guards_part);
    CHECK(faulty.faults.size() == 1);
    REQUIRE(faulty.configuration);
    CHECK_FALSE(faulty.configuration->signal);
    CHECK(faulty.configuration->mqtt->host == "127.0.0.1");  // nothing is wrong with that
    const std::string without = spoiled(with_signal(shoulders), "mqtt: {host: 127.0.0.1}\n", "");
    const Loaded alone = load_configuration(without, {}, Reads::the_guards_part);
    REQUIRE(alone.configuration);
    CHECK_FALSE(alone.configuration->mqtt);
    const std::string limit_too =
        spoiled(with_topic("#"), "qualify: 1 s, hold_off: 30 s", "qualify: x, hold_off: 30 s");
    CHECK_FALSE(load_configuration(limit_too, {}, Reads::the_guards_part).configuration);
}

TEST_CASE("check says what is listened to, and how far it is believed") {
    const auto sentences = summarise(*load_configuration(with_signal(shoulders)).configuration);
    CHECK(
        std::count(sentences.begin(), sentences.end(),
                   "Listens to receiver/shoulders for the shoulder attenuation of the signal: shown beside, for 30 s, "
                   "and a warning below 40 dB. It never trips and never permits; who can publish there can make it "
                   "say anything.") == 1);
    const auto none = summarise(*load_configuration(sample_text).configuration);
    CHECK(std::none_of(none.begin(), none.end(), [](const std::string& one) { return one.find("Listens") == 0; }));
}
