#include "configuration_sample.hpp"
#include "expect_faults.hpp"

using namespace dekeyd;
using namespace dekeyd::formats;
using namespace std::chrono_literals;

namespace {

Loaded with_order(std::string_view order) {
    return load_configuration(with_more("main_line: " + std::string{order} + "\n"));
}

}  // namespace

TEST_CASE("the order of the parts; nothing said is nothing assumed") {
    const Loaded loaded = with_order("[amplifier, low-pass-filter, coupler, feeder, antenna]");
    expect_no_faults(loaded);
    CHECK(loaded.configuration->main_line.size() == 5);
    CHECK(loaded.configuration->main_line[1] == MainLinePart::low_pass_filter);
    CHECK_FALSE(advised(loaded, "main_line"));
    CHECK(load_configuration(sample_text).configuration->main_line.empty());
}

TEST_CASE("each wrong order is named") {
    expect_faults(with_order("[amplifier, coupler, circulator, antenna]"),
                  {{52, "main_line", "the coupler stands between amplifier and circulator"}});
    CHECK(advised(with_order("[amplifier, coupler, low-pass-filter, antenna]"),
                  "main_line: the coupler stands before the low-pass filter: its detectors read the harmonics"));
    expect_faults(with_order("[amplifier, feeder, coupler, antenna]"),
                  {{52, "main_line", "'feeder_loss' is the loss between coupler and antenna"}});
    expect_faults(with_order("[amplifier, antenna]"),
                  {{52, "main_line", "power is measured, and there is no coupler"}});
    expect_faults(with_order("[coupler, amplifier]"), {{52, "main_line", "the amplifier doesn't come first"}});
    expect_faults(with_order("[amplifier, antenna, coupler]"),
                  {{52, "main_line", "something comes after the antenna"}});
    expect_faults(with_order("[amplifier, coupler, coupler]"), {{52, "main_line[2]", "'coupler' comes twice"}});
    const Loaded misspelt = with_order("[amplifier, cuopler]");
    expect_faults(misspelt, {{52, "main_line[1]", "'cuopler' is no part of a main line"}});
    CHECK(misspelt.faults[0].expected == "did you mean 'coupler'?");
    expect_faults(with_order("[amplifier, {coupler: yes}]"), {{52, "main_line[1]", "'' is no part"}});
    expect_faults(with_order("amplifier"), {{52, "main_line", "one value where a list was expected"}});
}

TEST_CASE("the circulator's load takes what comes back, and its rating is a limit unless one is written") {
    const std::string circulator = with_more(
        "main_line: [amplifier, circulator, coupler, feeder, antenna]\n"
        "circulator: {load_rating: 60 W, load_time: 20 s}\n");
    const Loaded loaded = load_configuration(circulator);
    expect_no_faults(loaded);
    CHECK(loaded.configuration->plan.rf.circulator_load_time == 20s);
    const auto& limit = limit_of(loaded, "circulator-load");
    CHECK(limit.watch == loaded.configuration->plan.index(core::Derived::circulator_load));
    CHECK(limit.trip == 60.0);
    CHECK(limit.rearm == core::Rearm::latched);
    CHECK(limit.clear_by == core::ClearBy::rf_off);
    CHECK(advised(loaded, "limits.circulator-load: default not confirmed: {watch: circulator-load, above: 60 W"));
    const Loaded own = load_configuration(spoiled(
        circulator, "  reflected: {watch", "  load: {watch: circulator-load, above: 40 W}\n  reflected: {watch"));
    expect_no_faults(own);
    CHECK(limit_of(own, "load").trip == 40.0);
    CHECK(own.configuration->plan.limits.size() == 4);
    const Loaded rated = load_configuration(
        spoiled(circulator, "  reflected: {watch", "  load: {watch: circulator-load}\n  reflected: {watch"));
    CHECK(limit_of(rated, "load").trip == 60.0);
}

TEST_CASE("a load rating that nothing here can guard is said") {
    const std::string circulator =
        "main_line: [amplifier, circulator, coupler, feeder, antenna]\ncirculator: {load_rating: 60 W, load_time: 20 "
        "s}\n";
    CHECK_FALSE(advised(load_configuration(with_more(circulator)), "circulator.load_rating"));
    std::string text =
        spoiled(with_more(circulator), "accept: [no-supply-limit]", "accept: [no-supply-limit, no-reflected-limit]");
    const auto cut = [&](std::string_view from, std::string_view to) {
        const std::size_t begin = text.find(from);
        text.erase(begin, text.find(to, begin) - begin);
    };
    cut("  reflected:\n", "  supply: {bus");
    cut("  vswr:\n", "  reflected: {watch");
    cut("  reflected: {watch", "mqtt:");
    text = spoiled(text, "  directivity: 30 dB\n", "");
    const Loaded blind = load_configuration(text);
    expect_no_faults(blind);
    CHECK(advised(blind, "circulator.load_rating: nothing guards the load: no sensor has 'role: reflected'"));
    // The coupler before the circulator sees nothing of what comes back.
    CHECK(advised(load_configuration(spoiled(text, "circulator, coupler, feeder", "coupler, circulator, feeder")),
                  "circulator.load_rating: nothing guards the load"));
}

TEST_CASE("a circulator that is half described") {
    expect_faults(load_configuration(with_more("circulator: {load_rating: 60 W, load_time: 20 s}\n")),
                  {{52, "circulator", "where the circulator stands is not said"}});
    expect_faults(load_configuration(with_more("main_line: [amplifier, circulator, coupler]\n"
                                               "circulator: {load_rating: 0 W, load_time: -1 s}\n")),
                  {{53, "circulator.load_rating", "'0 W' is not above zero"},
                   {53, "circulator.load_time", "'-1 s' is not above zero"}});
    CHECK(advised(with_order("[amplifier, circulator, coupler, antenna]"), "circulator: the circulator's load"));
    expect_faults(load_configuration(spoiled("  reflected: {watch",
                                             "  x: {watch: circulator-load, above: 9 W}\n"
                                             "  reflected: {watch")),
                  {{49, "limits.x.watch", "'circulator-load' can't be worked out from what is measured"}});
}

TEST_CASE("heat") {
    const Loaded loaded =
        load_configuration(with_more("heat: {quiescent_power: 40 W, planned_transmission: 30 min}\n"));
    expect_no_faults(loaded);
    CHECK(loaded.configuration->plan.heat.quiescent_w == 40.0);
    CHECK(loaded.configuration->plan.heat.planned_transmission == 30min);
    expect_faults(load_configuration(with_more("heat: {full_fan: 2400 rpm, quiescent_power: -1 W}\n")),
                  {{52, "heat.full_fan", "no fan is measured"}, {52, "heat.quiescent_power", "'-1 W' is negative"}});
}

TEST_CASE("the gain's drift") {
    const Loaded loaded = load_configuration(
        spoiled("  directivity",
                "  small_signal_gain: 18 dB\n  gain_drift: -0.02 dB/K\n  gain_reference: 40 degC\n  directivity"));
    expect_no_faults(loaded);
    CHECK(loaded.configuration->plan.rf.gain_db_per_k == -0.02);
    CHECK(loaded.configuration->plan.rf.gain_reference_c == 40.0);
    expect_faults(load_configuration(spoiled("  directivity", "  gain_drift: -2 dB/K\n  directivity")),
                  {{36, "amplifier.gain_drift", "'-2 dB/K' is outside"},
                   {36, "amplifier.gain_drift", "a drift of a gain that is not given"}});
}
