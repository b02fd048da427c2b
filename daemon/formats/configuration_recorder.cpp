// recorder: how much of a trip is kept, and how much in all.
#include "formats/configuration_parts.hpp"

namespace dekeyd::formats {

void read_recorder(Section& top, Draft& draft) {
    RecorderConfig& recorder = draft.configuration.recorder;
    Section section = top.section("recorder", Need::optional);
    recorder.before = section.duration("before", Need::optional).value_or(recorder.before);
    recorder.after = section.duration("after", Need::optional).value_or(recorder.after);
    if (const auto captures = section.whole("captures", Need::optional)) {
        recorder.most_captures = static_cast<std::size_t>(*captures);
    }
    if (const auto megabytes = section.whole("megabytes", Need::optional)) {
        recorder.most_bytes = static_cast<std::size_t>(*megabytes) * 1024 * 1024;
    }
    section.finish();
}

}  // namespace dekeyd::formats
