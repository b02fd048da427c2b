// GPIO through libgpiod's first major version.
#include "drivers/gpio.hpp"

#if DEKEYD_LIBGPIOD == 1

#include <gpiod.h>
#include <poll.h>

#include <array>
#include <cerrno>
#include <system_error>
#include <utility>

namespace dekeyd::drivers {

namespace {

struct ChipCloser {
    void operator()(gpiod_chip* chip) const noexcept { gpiod_chip_close(chip); }
};
using ChipHandle = std::unique_ptr<gpiod_chip, ChipCloser>;

std::string or_empty(const char* text) {
    return text == nullptr ? std::string() : std::string(text);
}

[[noreturn]] void fail(const char* what) {
    throw std::system_error(errno, std::generic_category(), what);
}

class Request final : public GpioRequest {
public:
    Request(ChipHandle chip, gpiod_line* line) noexcept : chip_(std::move(chip)), line_(line) {}
    ~Request() override { gpiod_line_release(line_); }

    bool set(bool high) noexcept override { return gpiod_line_set_value(line_, high ? 1 : 0) == 0; }
    std::optional<bool> level() noexcept override {
        const int value = gpiod_line_get_value(line_);
        if (value < 0) return std::nullopt;
        return value != 0;
    }
    std::optional<GpioEdges> edges() noexcept override {
        pollfd waiting{.fd = gpiod_line_event_get_fd(line_), .events = POLLIN, .revents = 0};
        if (waiting.fd < 0) return std::nullopt;
        const int ready = ::poll(&waiting, 1, 0);
        if (ready < 0) return errno == EINTR ? std::optional<GpioEdges>(GpioEdges{}) : std::nullopt;
        if (ready == 0) return GpioEdges{};
        if ((waiting.revents & POLLIN) == 0) return std::nullopt;
        std::array<gpiod_line_event, 16> events{};
        const int count = gpiod_line_event_read_fd_multiple(waiting.fd, events.data(), events.size());
        if (count < 0) return std::nullopt;
        GpioEdges edges{.rising = 0, .falling = 0, .more = static_cast<std::size_t>(count) == events.size()};
        for (std::size_t i = 0; i < static_cast<std::size_t>(count); ++i) {
            ++(events[i].event_type == GPIOD_LINE_EVENT_RISING_EDGE ? edges.rising : edges.falling);
        }
        return edges;
    }

private:
    ChipHandle chip_;
    gpiod_line* line_;  // belongs to the chip
};

class LibGpio final : public Gpio {
public:
    LibGpio(std::string sysfs_root, std::string device_folder)
        : sysfs_root_(std::move(sysfs_root)), device_folder_(std::move(device_folder)) {}

    std::vector<GpioChip> chips() override {
        std::vector<GpioChip> chips;
        for (const std::string& name : gpio_devices(device_folder_)) {
            GpioChip found{.name = name, .label = {}, .bus = bus_of_chip(sysfs_root_, name), .error = 0, .lines = {}};
            if (const ChipHandle chip = open_chip(name)) {
                found.label = or_empty(gpiod_chip_label(chip.get()));
                look_at_lines(chip.get(), found);
            } else {
                found.error = errno;
            }
            chips.push_back(std::move(found));
        }
        return chips;
    }

    std::unique_ptr<GpioRequest> output(const std::string& chip, unsigned offset, bool high) override {
        return request(chip, offset, GPIOD_LINE_REQUEST_DIRECTION_OUTPUT, 0, high);
    }
    std::unique_ptr<GpioRequest> input_with_edges(const std::string& chip, unsigned offset, Bias bias) override {
        const int flags = bias == Bias::pull_up     ? GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_UP
                          : bias == Bias::pull_down ? GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_DOWN
                                                    : 0;
        return request(chip, offset, GPIOD_LINE_REQUEST_EVENT_BOTH_EDGES, flags, false);
    }

private:
    [[nodiscard]] ChipHandle open_chip(const std::string& name) const {
        return ChipHandle(gpiod_chip_open((device_folder_ + "/" + name).c_str()));
    }

    static void look_at_lines(gpiod_chip* chip, GpioChip& found) {
        const unsigned count = gpiod_chip_num_lines(chip);
        for (unsigned offset = 0; offset < count; ++offset) {
            gpiod_line* const line = gpiod_chip_get_line(chip, offset);
            if (line == nullptr) {
                found.lines.emplace_back();
                continue;
            }
            found.lines.push_back({.name = or_empty(gpiod_line_name(line)),
                                   .consumer = or_empty(gpiod_line_consumer(line)),
                                   .used = gpiod_line_is_used(line)});
        }
    }

    std::unique_ptr<GpioRequest> request(const std::string& name, unsigned offset, int type, int flags, bool high) {
        ChipHandle chip = open_chip(name);
        if (!chip) fail("open GPIO chip");
        gpiod_line* const line = gpiod_chip_get_line(chip.get(), offset);
        if (line == nullptr) fail("find GPIO line");
        const gpiod_line_request_config config{.consumer = gpio_consumer, .request_type = type, .flags = flags};
        // The level travels in the request: the pad becomes an output with it, never with another first.
        if (gpiod_line_request(line, &config, high ? 1 : 0) != 0) fail("request GPIO line");
        return std::make_unique<Request>(std::move(chip), line);
    }

    std::string sysfs_root_, device_folder_;
};

}  // namespace

std::unique_ptr<Gpio> make_gpio(const std::string& sysfs_root, const std::string& device_folder) {
    return std::make_unique<LibGpio>(sysfs_root, device_folder);
}

}  // namespace dekeyd::drivers

#endif
