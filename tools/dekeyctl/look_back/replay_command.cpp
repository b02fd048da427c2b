#include <fmt/format.h>

#include <cstdio>
#include <fstream>
#include <nlohmann/json.hpp>

#include "dekeyctl/commands.hpp"
#include "dekeyctl/look_back/history_commands.hpp"
#include "dekeyctl/look_back/replay.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using OrderedJson = nlohmann::ordered_json;

OrderedJson optional_number(const std::optional<double>& value) {
    return value ? OrderedJson(*value) : OrderedJson(nullptr);
}

void print_json(const ReplayReport& report) {
    OrderedJson happenings = OrderedJson::array();
    for (const Happening& h : report.happenings) {
        happenings.push_back({{"at_s", h.at_s},
                              {"kind", h.kind},
                              {"source", h.source},
                              {"text", h.text},
                              {"then", h.in_recording},
                              {"now", h.in_replay}});
    }
    const OrderedJson all{{"cause", report.header.cause},
                          {"origin", report.header.origin_wall},
                          {"cause_step", report.header.cause_step},
                          {"steps", report.steps},
                          {"missing_steps", report.missing_steps},
                          {"complete", report.complete},
                          {"length_s", report.length_s},
                          {"took_s", report.took_s},
                          {"checked", report.checked},
                          {"not_reproduced", report.not_reproduced},
                          {"differing_steps", report.differing_steps},
                          {"first_difference_s", optional_number(report.first_difference_s)},
                          {"then",
                           {{"inhibit_s", optional_number(report.recorded_inhibit_s)},
                            {"inhibit_step", report.recorded_inhibit_step},
                            {"permit_s", report.recorded_permit_s}}},
                          {"now",
                           {{"inhibit_s", optional_number(report.replayed_inhibit_s)},
                            {"inhibit_step", report.replayed_inhibit_step},
                            {"permit_s", report.replayed_permit_s}}},
                          {"missing_sensors", report.missing_sensors},
                          {"happenings", happenings},
                          {"trouble", report.trouble}};
    fmt::print("{}\n", all.dump(2, ' ', false, OrderedJson::error_handler_t::replace));
}

std::string inhibit_words(const std::optional<double>& at_s, std::uint64_t step, double permit_s) {
    const std::string permit = fmt::format("permit for {:.2f} s in all", permit_s);
    return at_s ? fmt::format("inhibits at {:+.3f} s (step {}); {}", *at_s, step, permit)
                : fmt::format("never takes the permit away; {}", permit);
}

void print_words(const ReplayOptions& options, const ReplayReport& report) {
    const bool utf8 = look_of(stdout).utf8;
    const auto print = [&](const std::string& text) {
        fmt::print("{}\n", utf8 ? printable(text) : to_ascii(printable(text)));
    };
    print(fmt::format("{} ({}), {} of {}: {}", report.header.name, report.header.id, report.header.kind,
                      report.header.origin_wall, report.header.cause));
    const double speed = report.took_s > 0.0 ? report.length_s / report.took_s : 0.0;
    print(
        fmt::format("{} steps in {:.2f} s, replayed at {:.0f} times real time.", report.steps, report.length_s, speed));
    if (!report.complete) print("The file ends early: its complete rows were replayed.");
    if (report.missing_steps + report.header.lost_before > 0) {
        print(fmt::format("{} steps are missing ({} before the first row), so the replay may not be exact.",
                          report.missing_steps + report.header.lost_before, report.header.lost_before));
    }
    if (!report.checked) {
        print("The configuration in the file is not one for this program, so nothing can be said about exactness.");
    } else if (report.not_reproduced == 0) {
        print("Under its own configuration each decision is the same again.");
    } else {
        print(
            fmt::format("Under its own configuration {} decisions are different: another version of dekeyd, or "
                        "missing steps.",
                        report.not_reproduced));
    }
    for (const std::string& sensor : report.missing_sensors) {
        print(fmt::format("The recording has no sensor '{}': it counts as silent.", sensor));
    }
    const std::string now = options.configuration.empty() ? "the same configuration" : options.configuration;
    print("");
    print("  t (s)     then now");
    for (const Happening& h : report.happenings) {
        print(fmt::format("{:+10.3f}  {:<4} {:<4} {}", h.at_s, h.in_recording ? "x" : "", h.in_replay ? "x" : "",
                          h.text));
    }
    print("");
    print(fmt::format(
        "then: {}", inhibit_words(report.recorded_inhibit_s, report.recorded_inhibit_step, report.recorded_permit_s)));
    print(fmt::format("now:  {} (by {})",
                      inhibit_words(report.replayed_inhibit_s, report.replayed_inhibit_step, report.replayed_permit_s),
                      now));
    if (report.first_difference_s) {
        print(
            fmt::format("They decide differently in {} steps, first at {:+.3f} s. From there on the recording shows "
                        "an amplifier under other decisions: read the rest with care.",
                        report.differing_steps, *report.first_difference_s));
    } else {
        print("They decide the same in every step.");
    }
}

}  // namespace

int run_replay(const ReplayOptions& options) {
    std::ifstream in{options.file, std::ios::binary};
    if (!in) {
        fmt::print(stderr,
                   "dekeyctl: can't open {}; expected a capture (see 'dekeyctl log --captures') or a recording\n",
                   options.file);
        return exit_refused;
    }
    formats::Loaded loaded;
    if (!options.configuration.empty()) {
        loaded = formats::load_configuration_file(options.configuration);
        if (!loaded.configuration) {
            fmt::print(stderr, "dekeyctl: {} has {} faults; 'dekeyctl check {}' shows them\n", options.configuration,
                       loaded.faults.size(), options.configuration);
            return exit_refused;
        }
    }
    const ReplayReport report = replay(in, loaded.configuration ? &*loaded.configuration : nullptr);
    if (report.steps == 0) {
        fmt::print(stderr, "dekeyctl: {}: {}\n", options.file,
                   report.trouble.empty() ? "no whole step in it" : report.trouble);
        return exit_refused;
    }
    if (options.json) {
        print_json(report);
    } else {
        print_words(options, report);
        if (!report.trouble.empty()) fmt::print(stderr, "dekeyctl: {}: {}\n", options.file, report.trouble);
    }
    return report.trouble.empty() ? exit_done : exit_nonsense;
}

}  // namespace dekeyd::ctl
