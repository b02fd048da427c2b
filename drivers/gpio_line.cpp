// The inhibit line on a GPIO pad.
#include <cerrno>
#include <system_error>
#include <utility>

#include "drivers/gpio.hpp"

namespace dekeyd::drivers {

namespace {

// Levels, not logical values: the pad's level is worked out here, once, from permit_high. With the kernel's active-low
// flag the same request would be just as free of glitches (flag and value travel in one call), but then what "1" means
// would depend on a flag in two libraries, and a read-back would be believed through the flag that it should check.
class GpioLine final : public Line {
public:
    GpioLine(std::unique_ptr<GpioRequest> request, bool permit_high, std::string title)
        : request_(std::move(request)), permit_high_(permit_high), title_(std::move(title)) {}
    ~GpioLine() override { request_->set(!permit_high_); }

    bool write(bool permit) noexcept override { return request_->set(permit == permit_high_); }
    std::optional<bool> read_back() noexcept override {
        const std::optional<bool> high = request_->level();
        if (!high) return std::nullopt;
        return *high == permit_high_;
    }
    std::string describe() const override {
        return "GPIO " + title_ + ", permit is " + (permit_high_ ? "high" : "low");
    }

private:
    std::unique_ptr<GpioRequest> request_;
    bool permit_high_;
    std::string title_;
};

LineError held(const std::string& title, const GpioLineInfo& info) {
    LineError error("GPIO " + title + " is held by " +
                    (info.consumer.empty() ? "another program or driver" : "'" + info.consumer + "'") +
                    "; end that program, or choose another line");
    error.busy = true;
    return error;
}

}  // namespace

std::unique_ptr<Line> open_gpio_line(const LineAddress& address, Gpio& gpio) {
    const std::vector<GpioChip> chips = gpio.chips();
    const ChosenLine chosen = choose_line(chips, address.chip, address.line);
    const GpioLineInfo& info = chosen.chip->lines[chosen.offset];
    const std::string title = chosen.chip->name + " ('" + chosen.chip->label + "') line " +
                              std::to_string(chosen.offset) + (info.name.empty() ? "" : " ('" + info.name + "')");
    if (!chosen.chip->bus.empty()) {
        throw LineError("GPIO " + title + " is on " + chosen.chip->bus +
                        ", and a write to it can hang with its bus; expected a line of the processor itself");
    }
    try {
        const bool inhibit_high = !address.permit_high;
        return std::make_unique<GpioLine>(gpio.output(chosen.chip->name, chosen.offset, inhibit_high),
                                          address.permit_high, title);
    } catch (const std::system_error& error) {
        if (error.code().value() == EBUSY) throw held(title, info);
        throw LineError("GPIO " + title + " can't be requested as an output: " + error.code().message() +
                        "; check that the line is free for use and that this user may open /dev/" + chosen.chip->name);
    }
}

}  // namespace dekeyd::drivers
