// The pads that contacts pull down, as the kernel gives them to the daemon's own driver.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>

#include "drivers/gpio.hpp"

namespace dekeyd::soak {

/// What is wrong with what the contacts belong to.
enum class ContactFault : std::uint8_t {
    good,
    lid_opens,
    lid_shakes,              ///< opens for less than a look, now and then
    leak,                    ///< a float switch closes
    drips,                   ///< closes for less than a look, now and then
    contactor_welds,         ///< its contacts stay closed, once they are
    contactor_never_closes,  ///< its coil is broken
};

class Contacts {
public:
    enum Name : std::size_t { contactor, lid, leak, count_ };  ///< the contactor's is its mirror contact

    void move(Name name, bool closed) noexcept;
    void flick(Name name) noexcept;  ///< to its other position and back
    [[nodiscard]] bool closed(Name name) const noexcept { return pads_[name].closed; }
    /// For one sensor; this must outlive it.
    [[nodiscard]] std::unique_ptr<drivers::Gpio> gpio();

private:
    class Board;
    class Request;
    struct Pad {
        bool closed = false;
        drivers::GpioEdges edges{};
    };
    std::array<Pad, count_> pads_{};
};

}  // namespace dekeyd::soak
