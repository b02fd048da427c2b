#include "daemon/line_keeper.hpp"

#include <utility>

namespace dekeyd {

LineKeeper::LineKeeper(std::unique_ptr<drivers::Line> line) noexcept : line_{std::move(line)} {}

void LineKeeper::read(core::Instant now) noexcept {
    const std::optional<bool> level = line_->read_back();
    state_ = {.known = level.has_value(), .permit = level.value_or(false)};
    looked_ = now;
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
    // Whatever the pad is at after a refused permit, it shall not stay there by chance.
    if (!taken && permit) line_->write(false);
    read(now);
    return taken;
}

bool LineKeeper::force_inhibit(core::Instant now) noexcept {
    const bool taken = line_->write(false);
    written_ = taken ? std::optional{false} : std::nullopt;
    read(now);
    return taken && !(state_.known && state_.permit);
}

}  // namespace dekeyd
