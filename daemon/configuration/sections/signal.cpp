// signal: what a receiver elsewhere measures of the sent signal. The telemetry shows it beside; no decision knows it.
#include <algorithm>
#include <array>

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr KeyRow measure_row(std::string_view path, std::string_view says) {
    return {.path = path, .kind = KeyKind::section, .says = says};
}
constexpr KeyRow topic_row(std::string_view path) {
    return {
        .path = path,
        .kind = KeyKind::text,
        .need = Need::required,
        .says = "The MQTT topic on which the receiver publishes it: a plain decimal number in dB, and nothing else."};
}
constexpr KeyRow warn_row(std::string_view path) {
    return {.path = path,
            .kind = KeyKind::quantity,
            .dimension = Dimension::ratio_db,
            .need = Need::required,
            .between = fixed(0.0, 100.0, "a receiver measures no such ratio"),
            .says = "A smaller one is a warning, until it is 1 dB better than that."};
}
constexpr KeyRow age_row(std::string_view path) {
    return {.path = path,
            .kind = KeyKind::time,
            .between = fixed(1.0, hour, "a signal changes with each turn of a knob"),
            .usual = "30 s",
            .says = "A number that arrived longer ago counts for nothing."};
}

constexpr std::array signal_rows{
    KeyRow{.path = "signal",
           .kind = KeyKind::section,
           .when = "with 'mqtt'",
           .says =
               "What a receiver elsewhere measures of the sent signal: shown beside, may warn, never trips and never "
               "permits."},
    measure_row("signal.shoulder_attenuation",
                "How far the shoulders beside the spectrum lie below the signal; larger is better."),
    topic_row("signal.shoulder_attenuation.topic"),
    warn_row("signal.shoulder_attenuation.warn_below"),
    age_row("signal.shoulder_attenuation.allowed_age"),
    measure_row("signal.modulation_error_ratio",
                "The signal's power to that of its modulation error (MER); larger is better."),
    topic_row("signal.modulation_error_ratio.topic"),
    warn_row("signal.modulation_error_ratio.warn_below"),
    age_row("signal.modulation_error_ratio.allowed_age"),
};

constexpr std::string_view an_example = "an exact topic of the receiver's, such as 'receiver/shoulders'";

bool lies_below(std::string_view topic, const std::string& top) {
    return topic == top || topic.starts_with(top + '/');
}

/// The fault in words; empty: none.
std::string wrong_with_topic(const std::string& topic, const Configuration& configuration) {
    if (topic.find_first_of("+#") != std::string::npos) return fmt::format("'{}' has a wildcard", topic);
    if (topic.starts_with('$')) return fmt::format("'{}' is one of the broker's own", topic);
    const std::string& id = configuration.id;
    if (id.empty()) return {};
    std::vector<std::string> own{"homie/5/" + id, "dekeyd/" + id};
    if (configuration.mqtt && !configuration.mqtt->discovery_prefix.empty())
        own.push_back(configuration.mqtt->discovery_prefix + "/device/" + id);
    const bool ours = std::any_of(own.begin(), own.end(), [&](const auto& top) { return lies_below(topic, top); });
    return ours ? fmt::format("'{}' is one of this device's own", topic) : std::string{};
}

}  // namespace

std::span<const KeyRow> signal_keys() {
    return signal_rows;
}

void read_signal(Section& top, Draft& draft) {
    Section section = top.section("signal");
    if (!section.present()) return;
    SignalConfig signal;
    bool any = false;
    for (std::size_t i = 0; i < signal.size(); ++i) {
        Section one = section.section(signal_measure_keys.of(static_cast<SignalMeasure>(i)));
        any = any || one.present();
        if (!one.present()) continue;
        ReceivedConfig& received = signal[i].emplace();
        received.topic = one.text("topic").value_or("");
        received.warn_below_db = one.quantity("warn_below").value_or(0.0);
        received.allowed_age = one.duration_or_usual("allowed_age");
        if (const std::string wrong = wrong_with_topic(received.topic, draft.configuration); !wrong.empty())
            one.fault("topic", wrong, std::string{an_example});
        for (std::size_t before = 0; before < i; ++before) {
            if (received.topic.empty() || !signal[before] || signal[before]->topic != received.topic) continue;
            one.fault("topic", fmt::format("'{}' is the other measurement's topic as well", received.topic),
                      "a topic for each");
        }
        one.finish();
    }
    section.finish();
    if (!any && !draft.report.has_fault("signal"))
        draft.report.fault(section.place(), "signal", "no measurement",
                           "'shoulder_attenuation:' or 'modulation_error_ratio:', each with its 'topic:' and "
                           "'warn_below:', or the section removed");
    if (!top.has("mqtt"))
        draft.report.fault(section.place(), "signal", "a receiver's measurements without a broker to get them from",
                           "'mqtt:' beside it, or the section removed");
    draft.configuration.signal = std::move(signal);
}

}  // namespace dekeyd::formats
