#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

TEST_CASE("supervision as written, and at rest where it isn't") {
    const Loaded plain = load_configuration(sample_text);
    REQUIRE(plain.configuration);
    CHECK_FALSE(plain.configuration->plan.supervision.longest_transmission);
    CHECK_FALSE(plain.configuration->plan.supervision.contactor);
    CHECK_FALSE(plain.configuration->plan.plausibility.best_return_loss_db);
    const Loaded loaded =
        load_configuration(with_more("contactor: {driver: gpio, chip: soc, line: GPIO18, permit: high}\n"
                                     "supervision: {longest_transmission: 3 min, transmission_warning: 30 s, "
                                     "contactor_time: 1 s}\n"
                                     "plausibility: {switching_time: 50 ms, qualify: 1 s, best_return_loss: 35 dB}\n"));
    expect_no_faults(loaded);
    const core::Plan& plan = loaded.configuration->plan;
    CHECK(plan.supervision.contactor);
    CHECK(plan.supervision.longest_transmission == 3min);
    CHECK(plan.supervision.transmission_warning == 30s);
    CHECK(plan.supervision.contactor_time == 1s);
    CHECK(plan.plausibility.switching_time == 50ms);
    CHECK(plan.plausibility.qualify == 1s);
    CHECK(plan.plausibility.best_return_loss_db == 35.0);
}

TEST_CASE("a contactor's contacts: seen by a contact sensor, or said to be unseen") {
    const std::string bus = spoiled("sensors:\n", "  in: {driver: contact, chip: soc, period: 20 ms}\nsensors:\n");
    const std::string contact = spoiled(
        bus, "amplifier:\n",
        "  contacts: {bus: in, address: GPIO23, measures: contact, allowed_age: 100 ms, role: contactor_sense}\n"
        "amplifier:\n");
    expect_faults(load_configuration(contact), {{33, "sensors.contacts.role", "there is no contactor whose contacts"}});
    const std::string contactor = "contactor: {driver: gpio, chip: soc, line: GPIO18, permit: high}\n";
    const Loaded seen = load_configuration(contact + contactor);
    expect_no_faults(seen);
    CHECK(seen.configuration->plan.roles.contactor_sense);
    CHECK(seen.configuration->plan.limits.size() == load_configuration(sample_text).configuration->plan.limits.size());
    CHECK_FALSE(advised(seen, "a welded one stays unseen"));
    std::string said;
    for (const std::string& sentence : summarise(*seen.configuration)) said += sentence;
    CHECK(said.find("De-keys when contacts, which is closed while the contactor is open, contradicts its order for "
                    "500 ms; a contactor that stays closed latches.") != std::string::npos);
    CHECK(advised(load_configuration(with_more(contactor)), "a welded one stays unseen"));
}

TEST_CASE("an exciter that never pauses is said loudly, and only where drive is measured") {
    const Loaded loaded = load_configuration(with_more("supervision: {continuous_drive: yes}\n"));
    CHECK_FALSE(loaded.configuration);
    REQUIRE_FALSE(loaded.faults.empty());
    CHECK(loaded.faults[0].what == "drive isn't measured, so no permit waits for its absence");
}

TEST_CASE("monitor-only is said loudly") {
    const Loaded loaded = load_configuration(with_more("supervision: {monitor_only: yes}\n"));
    expect_no_faults(loaded);
    CHECK(loaded.configuration->plan.supervision.monitor_only);
    CHECK(advised(loaded, "nothing here protects the amplifier"));
}

TEST_CASE("rules need what they compare") {
    expect_faults(load_configuration(with_more("supervision: {contactor_time: 1 s, transmission_warning: 5 s}\n"
                                               "plausibility: {current_with_rf: 4 A, heating: {rise: 2}}\n")),
                  {{52, "supervision.contactor_time", "there is no contactor"},
                   {52, "supervision.transmission_warning", "a warning before an end that is not given"},
                   {53, "plausibility.current_with_rf", "current and forward power are not both measured"},
                   {53, "plausibility.heating.power", "'power' is missing"},
                   {53, "plausibility.heating", "heat can't be worked out"},
                   {53, "plausibility.heating.rise", "'2' needs a unit"}});
    expect_faults(
        load_configuration(with_more("supervision: {longest_transmission: 1 min, transmission_warning: 1 min}\n")),
        {{52, "supervision.transmission_warning", "the warning would come before the transmission"}});
    expect_faults(load_configuration(spoiled("  reflected: {watch",
                                             "  x: {watch: supply, above: 30 V, clear: 29 V, while_supplied: yes}\n"
                                             "  reflected: {watch")),
                  {{49, "limits.x.while_supplied", "there is no contactor"}});
}
