// How far events were handed on, kept in a file that outlives a kill and a power cut. It is written by a thread of its
// own: a storage that hangs must not keep an alarm waiting.
#pragma once

#include <chrono>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "dekeyctl/follow/event.hpp"

namespace dekeyd::ctl {

struct KeptPlace {
    std::optional<Place> place{};  ///< none: no journal has been seen yet
    bool told_away = false;        ///< that the guard is away was handed on, and not yet that it is back
    bool operator==(const KeptPlace&) const = default;
};

/// The file's text and back; nothing where it is damaged.
std::string to_text(const KeptPlace& kept);
std::optional<KeptPlace> place_from_text(std::string_view text);

class PlaceFile {
public:
    /// Empty `path`: nothing is kept.
    explicit PlaceFile(std::string path);
    ~PlaceFile();
    PlaceFile(const PlaceFile&) = delete;
    PlaceFile& operator=(const PlaceFile&) = delete;

    /// What was found at the start.
    [[nodiscard]] const KeptPlace& found() const noexcept { return found_; }
    [[nodiscard]] bool was_there() const noexcept { return was_there_; }
    /// Why what was found isn't to be used; empty: it is, or there was none.
    [[nodiscard]] const std::string& damage() const noexcept { return damage_; }

    void save(const KeptPlace& kept);
    /// How the last try came out: empty: it is kept, else why not. None while one is still to be made.
    [[nodiscard]] std::optional<std::string> last_try() const;
    /// Readable when a try has ended.
    [[nodiscard]] int descriptor() const noexcept;
    void hear() noexcept;
    /// False: not by then; the thread may hang in the kernel, and the process should end by _exit().
    bool stop(std::chrono::milliseconds at_most);

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
    KeptPlace found_;
    bool was_there_ = false;
    std::string damage_;
};

}  // namespace dekeyd::ctl
