// How a session is announced: "init", the subscriptions, and the description; each once.
#pragma once

#include <functional>
#include <optional>
#include <string>

#include "telemetry/outbox.hpp"
#include "telemetry/published/homie.hpp"

namespace dekeyd {

class Announcement {
public:
    /// `folder`: keeps the description's version.
    Announcement(const homie::Device& device, std::string folder, Outbox& outbox)
        : device_{device}, folder_{std::move(folder)}, outbox_{outbox} {}

    /// All is said again: in another session, or in this one.
    void begin() noexcept { said_ = Said::nothing; }
    [[nodiscard]] bool begun() const noexcept { return said_ != Said::nothing; }
    [[nodiscard]] bool described() const noexcept { return said_ == Said::description; }
    /// Says the next piece, where there is room. Between "init" and the description `subscribe` is called until it is
    /// true.
    void go_on(const std::function<bool()>& subscribe, core::Instant now);

private:
    enum class Said : std::uint8_t { nothing, state, description };

    const homie::Device& device_;
    std::string folder_;
    Outbox& outbox_;
    Said said_ = Said::nothing;
    std::optional<std::string> description_;
};

}  // namespace dekeyd
