// Where the state lies: in two slots on the storage, written by turns, and for the time until the storage has it in a
// copy in the run folder.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>

#include "plan/plan.hpp"
#include "store/state_file.hpp"

namespace dekeyd::formats {

/// `<state folder>/state`. Both slots are filled when the file is made, so a later save needs no room: a storage that
/// is full can't keep a latch away. The slot with the newest state is never the one that is written.
class StateSlots {
public:
    /// Touches nothing yet.
    explicit StateSlots(const std::string& state_directory);
    ~StateSlots();
    StateSlots(const StateSlots&) = delete;
    StateSlots& operator=(const StateSlots&) = delete;

    /// Empty when the state is durable; otherwise what failed, where and how to mend it. `state.sequence` is larger
    /// than that of each state before. A file that is missing, is gone, is of version 1 or has no room is made anew.
    std::string save(const core::Plan& plan, const StoredState& state);

private:
    [[nodiscard]] bool is_ours() const noexcept;
    void open(const core::Plan& plan);
    void close() noexcept;

    std::string path_;
    int file_ = -1;
    std::size_t slot_bytes_ = 0;
    std::size_t next_ = 0;  ///< the slot that is written next
};

/// `<run folder>/unsaved` and `saved`: they outlive the daemon but not the power (the folder lies in memory). The first
/// has each change before the storage is asked, the second the number that is durable. So the next start knows what a
/// storage that stalls has not taken.
class StateCopy {
public:
    explicit StateCopy(const std::string& run_directory);
    ~StateCopy();
    StateCopy(const StateCopy&) = delete;
    StateCopy& operator=(const StateCopy&) = delete;

    /// Takes the room that it will need. Empty, or what failed.
    std::string prepare(const core::Plan& plan);
    std::string write(const core::Plan& plan, const StoredState& state);

private:
    std::string path_;
    int file_ = -1;
};

/// For another thread than the copy's. Empty, or what failed.
std::string tell_saved(const std::string& run_directory, std::uint64_t sequence);

/// The newest state of the slots. No file: memory.first_start. None readable: memory.unreadable. One that isn't, beside
/// one that is: what is readable, and memory.unreadable, since the other may have been the newer one.
StoredState load_state(const std::string& state_directory, const core::Plan& plan);

/// The same at a start. Where the run folder has what was not durable, the last end left something unsaved: the newest
/// state is taken, with memory.unreadable, and `unsaved` is set. Its sequence is the largest that was ever given.
StoredState load_state(const std::string& state_directory, const std::string& run_directory, const core::Plan& plan,
                       bool& unsaved);

}  // namespace dekeyd::formats
