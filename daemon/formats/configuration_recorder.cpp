// recorder: how much of a trip is kept, and how much in all.
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {

using namespace std::chrono_literals;

void read_recorder(Section& top, Draft& draft) {
    constexpr core::Duration longest = 60s;
    constexpr long most_captures = 10'000, most_megabytes = 10'000;
    RecorderConfig& recorder = draft.configuration.recorder;
    Section section = top.section("recorder", Need::optional);
    recorder.before = section.duration("before", Need::optional).value_or(recorder.before);
    recorder.after = section.duration("after", Need::optional).value_or(recorder.after);
    for (const auto& [key, value] : {std::pair{"before", recorder.before}, std::pair{"after", recorder.after}}) {
        if (value > longest) section.fault(key, "more than 60 s around a trip", "at most 60 s, such as 10 s");
    }
    if (const auto captures = section.whole("captures", 1, most_captures, Need::optional)) {
        recorder.most_captures = static_cast<std::size_t>(*captures);
    }
    if (const auto megabytes = section.whole("megabytes", 1, most_megabytes, Need::optional)) {
        recorder.most_bytes = static_cast<std::size_t>(*megabytes) * 1024 * 1024;
    }
    section.finish();
}

}  // namespace dekeyd::formats
