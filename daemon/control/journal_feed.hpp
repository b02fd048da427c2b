// Events of the journal, and parts of captures, for a client of the control socket: read by a thread of their own,
// since a storage that stalls must not keep a command waiting.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "base/handover.hpp"
#include "plan/time.hpp"
#include "recording/storage_state.hpp"
#include "store/captures/store.hpp"
#include "store/journal.hpp"

namespace dekeyd {

class JournalFeed {
public:
    static constexpr std::size_t most_entries = 64;
    static constexpr std::size_t most_bytes = 64UL * 1024;  ///< of one batch, and one entry more

    /// Those behind `after`, oldest first, as far as they are durable. An entry whose number isn't the next one means
    /// that those between are gone; none at all, that all up to `durable` are.
    struct Batch {
        std::uint64_t after = 0, durable = 0;
        std::vector<formats::JournalEntry> entries{};
    };

    /// `folder`: the journal's. `to_tell` is rung when a batch is there. Both references must outlive this; after a
    /// stop() that returned false a thread may hang in the kernel, and then they must outlive the process.
    /// `captures`: the folder of those; empty: there is none.
    JournalFeed(const std::string& folder, const StorageState& state, Wake& to_tell, std::string captures = {});
    ~JournalFeed();
    JournalFeed(const JournalFeed&) = delete;
    JournalFeed& operator=(const JournalFeed&) = delete;

    void start();
    bool stop(core::Instant deadline);

    /// The next batch is that behind `after`. Of several the last one counts. Any thread.
    void ask(std::uint64_t after);
    /// The batch that was asked for, once.
    std::optional<Batch> take();

    static constexpr std::size_t most_of_capture = 32UL * 1024;
    /// The next part is this one. Of several the last one counts. Any thread.
    void ask_capture(std::string name, std::uint64_t offset);
    /// The part that was asked for, once.
    std::optional<formats::CapturePart> take_capture();

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
};

}  // namespace dekeyd
