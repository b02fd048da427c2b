// emission: what it says, and what follows.
#include <doctest/doctest.h>

#include <cmath>

#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace std::chrono_literals;

namespace {

std::string sending(std::string_view emission) {
    return spoiled("sensors:\n", "emission: " + std::string{emission} + "\nsensors:\n");
}

const formats::Configuration& loaded(const std::string& text) {
    static formats::Loaded result;
    result = formats::load_configuration(text);
    for (const auto& fault : result.faults) MESSAGE(formats::render("text", text, fault));
    REQUIRE(result.configuration);
    return *result.configuration;
}

std::size_t faults_of(const std::string& text) {
    return formats::load_configuration(text).faults.size();
}

double waveform(const formats::Configuration& c, std::uint16_t channel) {
    return c.plan.channels[channel].power->waveform_db;
}

}  // namespace

TEST_CASE("emission: steady envelopes and none are judged scan by scan") {
    for (const std::string& text : {std::string{sample_text}, sending("{kind: carrier}"), sending("{kind: fm}")}) {
        const formats::Configuration& c = loaded(text);
        CHECK(c.plan.rf.emission.ratio_time == 0s);
        CHECK(waveform(c, *c.plan.roles.forward) == 0.0);
        CHECK(c.plan.rf.emission.unseen_crest == 1.0);
    }
}

TEST_CASE("emission: digital television is averaged, and what a log detector lacks is added") {
    const formats::Configuration& c = loaded(sending("{kind: digital-television, modulation: 8psk, roll_off: 0.35}"));
    CHECK(c.plan.rf.emission.ratio_time >= 500ms);
    CHECK(waveform(c, *c.plan.roles.forward) == 0.80);
    CHECK(waveform(c, *c.plan.roles.reflected) == 0.80);
    CHECK(c.plan.rf.emission.unseen_crest == doctest::Approx(std::pow(10.0, 0.39)));
    CHECK(c.plan.rf.emission.name == "8PSK");
    CHECK(c.plan.rf.emission.back_off_db == 3.9);  // its peaks then reach the 1 dB point
    CHECK(!c.plan.rf.emission.of_peak);
}

TEST_CASE("emission: voice is averaged longer, and longer still on a slow bus") {
    CHECK(loaded(sending("{kind: voice}")).plan.rf.emission.ratio_time == 2s);
    const std::string slow = spoiled(sending("{kind: voice}"), "period: 20 ms, codes", "period: 30 ms, codes");
    CHECK(loaded(slow).plan.rf.emission.ratio_time == 3s);  // a hundred rounds
    CHECK(loaded(sending("{kind: morse}")).plan.rf.emission.ratio_time == 1s);
}

TEST_CASE("emission: modulation and roll-off belong to digital television") {
    CHECK(faults_of(sending("{kind: digital-television}")) == 2);
    CHECK(faults_of(sending("{kind: voice, roll_off: 0.35}")) == 1);
    CHECK(faults_of(sending("{kind: song}")) == 1);
    CHECK(faults_of(sending("{modulation: qpsk}")) == 1);
}

TEST_CASE("emission: while VSWR is averaged a limit on reflected power must stand at every forward power") {
    const std::string gated =
        spoiled(sending("{kind: voice}"), "above: 12 W,", "above: 12 W, while: {quantity: forward, above: 6 W},");
    const auto faults = formats::load_configuration(gated).faults;
    REQUIRE(faults.size() == 1);
    CHECK(faults[0].key == "emission");
}
