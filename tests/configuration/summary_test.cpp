#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;

namespace {

std::string all_of(const Loaded& loaded) {
    REQUIRE(loaded.configuration);
    std::string text;
    for (const std::string& sentence : summarise(*loaded.configuration)) text += sentence + "\n";
    return text;
}

void says(const std::string& text, std::string_view sentence) {
    CAPTURE(text);
    CAPTURE(sentence);
    CHECK(text.find(sentence) != std::string::npos);
}

}  // namespace

TEST_CASE("the sample in sentences") {
    const std::string text = all_of(load_configuration(sample_text));
    says(text, "Bench (bench), rated 120 W.\n");
    says(text,
         "The inhibit line is GPIO line GPIO17 on soc; high permits, and a line that nothing drives must read low.\n");
    says(text,
         "Reads the converter ads1015 'adc' once in 20 ms: forward at voltage0, reflected at voltage1, forward "
         "again.\n");
    says(text, "De-keys when heatsink has given no good reading for 5 s.\n");
    says(text,
         "De-keys when heatsink is at or above 70 °C for 1 s; permits again when it has been below 55 °C for 30 s. "
         "At worst 2.82 s from the sensor to the line, and one look beyond the level is enough (heatsink).\n");
    says(text,
         "De-keys when VSWR is at or above 2 for 20 ms, while forward is at or above 6 W; latches until an operator "
         "resets it and RF has been off for 1 s. At worst 69 ms from the sensor to the line, and one look beyond the "
         "level is "
         "enough (vswr).\n");
    // A qualify time longer than the round needs a second look.
    says(all_of(load_configuration(spoiled("clear: rf off\n    qualify: 20 ms", "clear: rf off\n    qualify: 21 ms"))),
         "from the sensor to the line (vswr).\n");
    says(text, "Locks out after 3 trips within 10 min");
    says(text, "Publishes to the broker at 127.0.0.1:1883; from there it takes: hold.\n");
}

TEST_CASE("a contact that closes when something is wrong is said so, and what it doesn't show") {
    const std::string text = all_of(load_configuration(spoiled(
        spoiled("  psu: {driver", "  in: {driver: contact, chip: soc, period: 10 ms}\n  psu: {driver"), "amplifier:\n",
        "  load: {name: Load, bus: in, address: GPIO23, measures: contact, normally: open, allowed_age: 100 ms}\n"
        "  lid: {name: Lid, bus: in, address: GPIO24, measures: contact, allowed_age: 100 ms}\namplifier:\n")));
    says(text,
         "De-keys when the contact of load closes (a cut wire to it is not seen); latches until an operator resets "
         "it and it has been open for 1 s");
    says(text,
         "De-keys when the contact of lid opens; latches until an operator resets it and it has been closed for 1 s");
}

TEST_CASE("the second opinion's bounds, to be verified by hand") {
    const std::string text = all_of(load_configuration(sample_text));
    // 12 W are 40.792 dBm; less 40 dB of coupler 0.792 dBm; (19.6 - 0.792) dB x 24.4 mV/dB = 458.92 mV.
    says(text,
         "Second opinion, reflected: voltage1 is below 0.45892 V (a code below 458.92 / in_voltage1_scale), for more "
         "than 30 ms (10 ms and a round): inhibit.\n");
    // A round of the wire is 1.8 s: its pause and a conversion. 85 degC, the part's power-on value, is doubted.
    says(text,
         "Second opinion, heatsink: 28-000000000001 is above 70 °C (temperature above 70000), for more than 7.8 s (1 s "
         "and a round, and the age for which a jump may be doubted): inhibit.\n");
    says(text, "Second opinion, silence: heatsink for more than 6.8 s, forward for more than 120 ms, reflected ");
    says(text, "The second opinion says nothing of vswr (it is worked out from several readings).\n");
    const std::string more =
        all_of(load_configuration(accepting(spoiled("limits:\n",
                                                    "limits:\n  supply: {watch: supply, below: 20 V, clear: 24 V, "
                                                    "qualify: 20 ms, hold_off: 1 s, rearm: automatic, "
                                                    "while: {quantity: forward, above: 6 W}}\n"),
                                            "")));
    says(more,
         "Second opinion, supply: in1 is below 20 V (in1_input below 20000), while voltage0 is below 0.78857 V (a code "
         "below 788.571 / in_voltage0_scale), for more than 120 ms (20 ms and a round): inhibit.\n");
}

TEST_CASE("variants") {
    says(all_of(load_configuration(spoiled("permit: high", "permit: low"))),
         "low permits, and a line that nothing drives must read high");
    says(all_of(load_configuration(
             spoiled("{driver: gpio, chip: soc, line: GPIO17, permit: high}", "{driver: file, path: /x}"))),
         "The inhibit line is the file /x, which drives no output and protects nothing.");
    says(all_of(load_configuration(spoiled("mqtt: {host: 127.0.0.1}\n", ""))), "Publishes nothing");
    says(all_of(load_configuration(spoiled("clear: 55 degC", "clear: 55 degC, warn: 65 degC"))), "Warns from 65 °C.");
    says(all_of(load_configuration(spoiled("allowed_age: 5 s}", "allowed_age: 5 s, required: no}"))),
         "Goes on without heatsink.");
    says(all_of(load_configuration(spoiled("  directivity", "  frequency: 1.26 GHz\n  directivity"))),
         "rated 120 W at 1260 MHz");
    says(all_of(load_configuration(with_more("supervision: {monitor_only: yes, longest_transmission: 3 min}\n"))),
         "De-keys a transmission of more than 3 min, and warns 1 min before.\n");
    says(all_of(load_configuration(with_more("contactor: {driver: gpio, line: GPIO18, permit: high}\n"))),
         "The supply contactor is GPIO line GPIO18 on the one chip that has it");
    says(all_of(load_configuration(with_more("contactor: {driver: gpio, line: GPIO18, permit: high}\n"))),
         "Nothing sees the contactor's contacts: a welded one stays unseen.\n");
}
