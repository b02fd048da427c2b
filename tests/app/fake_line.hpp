// A line that keeps a history, and fails when told to.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/line.hpp"

namespace dekeyd::test {

/// Shared between the line, which its keeper owns, and the test.
struct Pad {
    bool permit = false;
    bool refuses_permit = false;
    bool refuses_inhibit = false;
    bool unreadable = false;
    std::optional<bool> stuck_at;  ///< what the pad reads, whatever was written
    int late = 0;                  ///< so many looks after a write still see the level before it
    int reads = 0;                 ///< looks so far
    std::vector<bool> writes;      ///< as asked for
    std::function<void(bool)> on_write;
};

class FakeLine final : public drivers::Line {
public:
    explicit FakeLine(std::shared_ptr<Pad> pad) : pad_{std::move(pad)} {}
    bool write(bool permit) noexcept override {
        pad_->writes.push_back(permit);
        if (pad_->on_write) pad_->on_write(permit);
        if (permit ? pad_->refuses_permit : pad_->refuses_inhibit) return false;
        pad_->permit = permit;
        return true;
    }
    [[nodiscard]] std::optional<bool> read_back() noexcept override {
        ++pad_->reads;
        if (pad_->unreadable) return std::nullopt;
        if (pad_->late > 0) return (--pad_->late, !pad_->permit);
        return pad_->stuck_at.value_or(pad_->permit);
    }
    [[nodiscard]] std::string describe() const override { return "fake line"; }

private:
    std::shared_ptr<Pad> pad_;
};

}  // namespace dekeyd::test
