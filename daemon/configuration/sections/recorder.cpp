// recorder: how much of a trip is kept, and how much in all.
#include <array>

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

using namespace row_units;

constexpr std::array recorder_rows{
    KeyRow{.path = "recorder",
           .kind = KeyKind::section,
           .says = "Each trip is kept as one file in <state>/captures; the oldest go first."},
    KeyRow{.path = "recorder.before",
           .kind = KeyKind::time,
           .between = fixed(10 * ms, minute, "a capture holds a minute at most"),
           .usual = "10 s",
           .says = "Kept of the time before a trip.",
           .into = [](const Given& v) { v.draft.configuration.recorder.before = v.time; }},
    KeyRow{.path = "recorder.after",
           .kind = KeyKind::time,
           .between = fixed(10 * ms, minute, "a capture holds a minute at most"),
           .usual = "5 s",
           .says = "And of the time after it.",
           .into = [](const Given& v) { v.draft.configuration.recorder.after = v.time; }},
    KeyRow{
        .path = "recorder.captures",
        .kind = KeyKind::whole,
        .between = fixed(1, 10'000, "each is a file"),
        .usual = "100",
        .says = "At most so many captures.",
        .into =
            [](const Given& v) { v.draft.configuration.recorder.most_captures = static_cast<std::size_t>(v.number); }},
    KeyRow{.path = "recorder.megabytes",
           .kind = KeyKind::whole,
           .between = fixed(1, 10'000, "it is what the captures take in all"),
           .usual = "64",
           .says = "And at most so much in all, in MiB.",
           .into =
               [](const Given& v) {
                   v.draft.configuration.recorder.most_bytes = static_cast<std::size_t>(v.number) * 1024 * 1024;
               }},
};

}  // namespace

std::span<const KeyRow> recorder_keys() {
    return recorder_rows;
}

void read_recorder(Section& top, Draft& draft) {
    Section section = top.section("recorder");
    read_keys(section, draft);
    section.finish();
}

}  // namespace dekeyd::formats
