#include "control/recording_stream.hpp"

#include <algorithm>
#include <string_view>

#include "messages/control.hpp"

namespace dekeyd {

bool RecordingStream::begin(ControlClient& client, core::Duration length) {
    if (feed_ == nullptr || !feed_->ask(length)) return false;
    client.records = true;
    return true;
}

// In pieces that a reader which is a little late can still take; what waits in the feed is bounded too.
void RecordingStream::serve(std::span<ControlClient> clients) {
    const auto found =
        std::find_if(clients.begin(), clients.end(), [](const ControlClient& client) { return client.records; });
    if (found == clients.end() || found->drop || found->unsent.size() > ControlClient::most_unsent_bytes / 4) return;
    const RecordingFeed::Part part = feed_->take();
    constexpr std::size_t piece = ControlClient::most_unsent_bytes / 8;
    // Whole lines, so that no character is cut in two.
    for (std::string_view left{part.text}; !left.empty() && !found->drop;) {
        const std::size_t end = left.size() > piece ? left.rfind('\n', piece) : std::string_view::npos;
        const std::size_t size = end == std::string_view::npos ? left.size() : end + 1;
        found->send(formats::recording_part(left.substr(0, size), false));
        left.remove_prefix(size);
    }
    if (!part.ended) return;
    found->records = false;
    found->send(part.overflowed
                    ? formats::error_answer("the recording was not read fast enough, and ends early; expected a "
                                            "reader that keeps up: some 50 KiB a second")
                    : formats::recording_part("", true));
}

void RecordingStream::leave(const ControlClient& client) {
    if (client.records) feed_->leave();
}

}  // namespace dekeyd
