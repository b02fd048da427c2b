#include "store/state_slots.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <limits>
#include <optional>
#include <string_view>
#include <utility>

#include "base/durable_file.hpp"
#include "plan/number_text.hpp"

namespace dekeyd::formats {
namespace {

constexpr int closed = -1;               // no file descriptor
constexpr std::size_t slot_unit = 4096;  // what storages write at once, or a multiple of it
constexpr std::size_t largest_slot = 256UL * 1024;
constexpr std::size_t saved_bytes = 21;  // twenty digits and the line's end
constexpr std::string_view whole_file_version = "dekeyd-state 1\n";

/// Zeros from the text's end to the slot's.
std::string padded(std::string text, std::size_t bytes) {
    text.resize(std::max(text.size(), bytes), '\0');
    return text;
}

/// A slot that takes every state of this plan.
std::size_t slot_bytes(const core::Plan& plan) {
    StoredState fullest = blank_state(plan);
    fullest.sequence = std::numeric_limits<std::uint64_t>::max();
    fullest.running = true;
    fullest.memory.first_start = fullest.memory.unreadable = fullest.memory.locked_out = true;
    fullest.memory.held_locally = fullest.memory.held_remotely = true;
    fullest.memory.trip_level = fullest.memory.unclean_level = core::Duration::max();
    std::fill(fullest.memory.latched.begin(), fullest.memory.latched.end(), std::uint8_t{1});
    const Note longest{.at_s = std::numeric_limits<std::int64_t>::max(),
                       .synchronised = true,
                       .reason = std::string(longest_reason, 'x')};
    fullest.notes = {longest, longest, {.at_s = longest.at_s, .synchronised = true}};
    return (to_text(plan, fullest).size() + slot_unit - 1) / slot_unit * slot_unit;
}

std::optional<StoredState> from_slot(const core::Plan& plan, std::string_view slot) {
    const std::size_t end = slot.find('\0');
    const std::string_view text = slot.substr(0, end);
    if (end != std::string_view::npos && slot.find_first_not_of('\0', end) != std::string_view::npos) return {};
    return whole_state(plan, text);
}

struct Slots {
    std::array<std::optional<StoredState>, 2> states;
    std::size_t newest;
    bool both_agree;  ///< neither is damaged, and it is clear which is the newer one

    [[nodiscard]] bool any() const noexcept { return states[newest].has_value(); }
};

bool is_slotted(std::size_t bytes) noexcept {
    return bytes % (2 * slot_unit) == 0;
}

/// `bytes`: as many as is_slotted() takes.
Slots read_slots(const core::Plan& plan, std::string_view bytes) {
    const std::size_t half = bytes.size() / 2;
    auto first = from_slot(plan, bytes.substr(0, half));
    auto second = from_slot(plan, bytes.substr(half));
    const bool second_is_newest = !first || (second && second->sequence > first->sequence);
    const bool both_agree =
        first && second && (first->sequence != second->sequence || bytes.substr(0, half) == bytes.substr(half));
    return {.states = {std::move(first), std::move(second)},
            .newest = second_is_newest ? 1U : 0U,
            .both_agree = both_agree};
}

int sync_data(int file) noexcept {
    return TEMP_FAILURE_RETRY(::fdatasync(file)) == 0 ? 0 : errno;
}

/// 0 where it isn't known: then everything that was copied counts as unsaved.
std::uint64_t told_saved(const std::string& run_directory) {
    const FileBytes file = read_whole(run_directory + "/saved", saved_bytes);
    const std::string_view line = file.bytes;
    return line.ends_with('\n') ? core::to_number<std::uint64_t>(line.substr(0, line.size() - 1)).value_or(0) : 0;
}

StoredState loaded(const core::Plan& plan, const FileBytes& file) {
    if (file.error == ENOENT) {
        StoredState state = blank_state(plan);
        state.memory.first_start = true;
        return state;
    }
    if (!file.ok()) return damaged_state(plan);
    if (file.bytes.starts_with(whole_file_version)) return state_from_text(plan, file.bytes);
    if (!is_slotted(file.bytes.size())) return damaged_state(plan);
    const Slots slots = read_slots(plan, file.bytes);
    if (!slots.any()) return damaged_state(plan);
    StoredState state = *slots.states[slots.newest];
    if (!slots.both_agree) state.memory.unreadable = state.running = true;
    return state;
}

}  // namespace

// ---- the slots -------------------------------------------------------------------------------------------------

StateSlots::StateSlots(const std::string& state_directory) : path_{state_directory + "/state"} {}

StateSlots::~StateSlots() {
    close();
}

void StateSlots::close() noexcept {
    if (file_ != closed) ::close(file_);
    file_ = closed;
}

/// False also when another file is in its place.
bool StateSlots::is_ours() const noexcept {
    struct stat open {};
    struct stat named {};
    return file_ != closed && ::fstat(file_, &open) == 0 && ::stat(path_.c_str(), &named) == 0 &&
           open.st_ino == named.st_ino && open.st_dev == named.st_dev;
}

/// Leaves it closed where there is no file to go on with.
void StateSlots::open(const core::Plan& plan) {
    close();
    const FileBytes whole = read_whole(path_, 2 * largest_slot);
    if (!whole.ok() || !is_slotted(whole.bytes.size()) || whole.bytes.size() / 2 < slot_bytes(plan)) return;
    const Slots slots = read_slots(plan, whole.bytes);
    if (!slots.any()) return;
    file_ = ::open(path_.c_str(), O_RDWR | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    slot_bytes_ = whole.bytes.size() / 2;
    next_ = 1 - slots.newest;
}

std::string StateSlots::save(const core::Plan& plan, const StoredState& state) {
    if (!is_ours()) open(plan);
    std::string text = to_text(plan, state);
    if (file_ == closed) {
        const std::string slot = padded(std::move(text), slot_bytes(plan));
        return write_durably(path_, slot + slot);
    }
    const std::string slot = padded(std::move(text), slot_bytes_);
    const auto place = static_cast<std::int64_t>(next_ * slot_bytes_);
    if (const int error = write_at(file_, slot, place); error != 0) return file_trouble("can't write", path_, error);
    if (const int error = sync_data(file_); error != 0) return file_trouble("can't fsync", path_, error);
    next_ = 1 - next_;
    return {};
}

// ---- the copy --------------------------------------------------------------------------------------------------

StateCopy::StateCopy(const std::string& run_directory) : path_{run_directory + "/unsaved"} {}

StateCopy::~StateCopy() {
    if (file_ != closed) ::close(file_);
}

std::string StateCopy::prepare(const core::Plan& plan) {
    if (file_ == closed) file_ = ::open(path_.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, 0640);
    if (file_ == closed) return file_trouble("can't open", path_, errno);
    struct stat there {};
    if (::fstat(file_, &there) != 0) return file_trouble("can't look at", path_, errno);
    const auto size = static_cast<std::size_t>(there.st_size);
    const std::size_t needed = slot_bytes(plan);
    const int error = write_at(file_, std::string(needed - std::min(size, needed), '\0'), there.st_size);
    return error == 0 ? std::string{} : file_trouble("can't write", path_, error);
}

std::string StateCopy::write(const core::Plan& plan, const StoredState& state) {
    if (std::string text = prepare(plan); !text.empty()) return text;
    struct stat there {};
    if (::fstat(file_, &there) != 0) return file_trouble("can't look at", path_, errno);
    const std::string slot = padded(to_text(plan, state), static_cast<std::size_t>(there.st_size));
    const int error = write_at(file_, slot, 0);
    return error == 0 ? std::string{} : file_trouble("can't write", path_, error);
}

std::string tell_saved(const std::string& run_directory, std::uint64_t sequence) {
    const std::string path = run_directory + "/saved";
    const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, 0640);
    if (file == closed) return file_trouble("can't open", path, errno);
    const int error = write_at(file, fmt::format("{:020}\n", sequence), 0);  // of one length, so never half of it
    ::close(file);
    return error == 0 ? std::string{} : file_trouble("can't write", path, error);
}

// ---- at a start ------------------------------------------------------------------------------------------------

StoredState load_state(const std::string& state_directory, const core::Plan& plan) {
    return loaded(plan, read_whole(state_directory + "/state", 2 * largest_slot));
}

StoredState load_state(const std::string& state_directory, const std::string& run_directory, const core::Plan& plan,
                       bool& unsaved) {
    StoredState stored = load_state(state_directory, plan);
    const std::uint64_t durable = told_saved(run_directory);
    const FileBytes copy = read_whole(run_directory + "/unsaved", largest_slot);
    const bool nothing = copy.error == ENOENT || (copy.ok() && copy.bytes.find_first_not_of('\0') == std::string::npos);
    const std::optional<StoredState> copied = copy.ok() ? from_slot(plan, copy.bytes) : std::nullopt;
    const std::uint64_t largest = std::max({stored.sequence, durable, copied ? copied->sequence : 0});
    unsaved = !stored.memory.first_start && !nothing && (!copied || copied->sequence > durable);
    if (unsaved) {
        if (copied && copied->sequence > stored.sequence) stored = *copied;
        stored.memory.unreadable = stored.running = true;
    }
    stored.sequence = largest;
    return stored;
}

}  // namespace dekeyd::formats
