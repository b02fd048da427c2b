#include "messages/feed.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "base/sealed.hpp"
#include "messages/snapshot_json.hpp"
#include "plan/state_words.hpp"

namespace dekeyd::formats {
namespace {

std::string as_it_is(std::string_view text) {
    return std::string{text};
}

template <class T>
std::string all_words(const T& value) {
    std::string words;
    core::StateWriter write{words};
    write(value);
    return words;
}

template <class T>
bool take_all_words(std::string_view words, T& value) {
    core::StateReader read{words};
    read(value);
    return read.complete();
}

}  // namespace

std::string feed_line(const FeedLine& line) {
    return to_line(to_json(line)) + '\n';
}

FeedLine parse_feed_line(std::string_view line) {
    return from_json<FeedLine>(nlohmann::json::parse(line, nullptr, false), &as_it_is);
}

core::Duration feed_period(core::Duration fastest) noexcept {
    using std::chrono_literals::operator""ms;
    return std::clamp<core::Duration>(fastest, 100ms, 200ms);
}

std::string configuration_sum(std::string_view text) {
    std::uint32_t sum = 0;
    std::size_t size = 0;
    bool of_mqtt = false;
    for (std::size_t start = 0; start < text.size();) {
        const std::size_t end = std::min(text.find('\n', start), text.size() - 1) + 1;
        const std::string_view line = text.substr(start, end - start);
        start = end;
        // A section ends where a line begins in the first column, but for a comment.
        const bool begins = line.find_first_of(" \t\r\n#") != 0;
        if (begins) of_mqtt = line.starts_with("mqtt:");
        if (of_mqtt) continue;
        sum = crc32(line, sum);
        size += line.size();
    }
    return fmt::format("{}-{}", hex32(sum), size);
}

std::string words_of(const core::Snapshot& snapshot) {
    return all_words(snapshot);
}
std::string words_of(const core::Event& event) {
    return all_words(event);
}
bool take_words(std::string_view words, core::Snapshot& snapshot) {
    return take_all_words(words, snapshot);
}
bool take_words(std::string_view words, core::Event& event) {
    return take_all_words(words, event);
}

}  // namespace dekeyd::formats
