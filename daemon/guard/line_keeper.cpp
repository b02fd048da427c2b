#include "guard/line_keeper.hpp"

#include <chrono>
#include <thread>
#include <utility>

namespace dekeyd {

namespace {

constexpr int looks_again = 4;
constexpr std::chrono::microseconds until_again{50};

}  // namespace

LineKeeper::LineKeeper(std::unique_ptr<drivers::Line> line) noexcept : line_{std::move(line)} {}

void LineKeeper::read(core::Instant now) noexcept {
    const std::optional<bool> level = line_->read_back();
    state_ = {.known = level.has_value(), .permit = level == true};
    looked_ = now;
}

// A pad with a capacitor follows late. Together far below any edge time and the guard's deadline.
void LineKeeper::read_after(bool permit, core::Instant now) noexcept {
    read(now);
    for (int again = 0; again < looks_again && state_.known && state_.permit != permit; ++again) {
        std::this_thread::sleep_for(until_again);
        read(now);
    }
}

void LineKeeper::look(core::Instant now) noexcept {
    if (now - looked_ >= look_interval) read(now);
}

bool LineKeeper::put(bool permit, core::Instant now) noexcept {
    // While the pad says permit, inhibit is asked for again and again: the write may have been lost on its way.
    const bool unheard = !permit && state_.known && state_.permit;
    if (written_ == permit && !unheard) return true;
    const bool taken = line_->write(permit);
    written_ = taken ? std::optional{permit} : std::nullopt;
    // After a refused permit the pad's level is unknown: it must not stay so.
    refuses_inhibit_ = !taken && !(permit && line_->write(false));
    read_after(taken && permit, now);
    return taken;
}

bool LineKeeper::force_inhibit(core::Instant now) noexcept {
    const bool taken = line_->write(false);
    written_ = taken ? std::optional{false} : std::nullopt;
    refuses_inhibit_ = !taken;
    read(now);
    return taken && !(state_.known && state_.permit);
}

}  // namespace dekeyd
