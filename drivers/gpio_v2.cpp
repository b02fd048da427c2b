// GPIO through libgpiod's second major version.
#include "drivers/gpio.hpp"

#if DEKEYD_LIBGPIOD == 2

#include <gpiod.h>

#include <cerrno>
#include <system_error>
#include <utility>

namespace dekeyd::drivers {

namespace {

template <auto release>
struct Releaser {
    template <class T>
    void operator()(T* owned) const noexcept {
        release(owned);
    }
};
template <class T, auto release>
using Owned = std::unique_ptr<T, Releaser<release>>;
using ChipHandle = Owned<gpiod_chip, gpiod_chip_close>;
using ChipInfo = Owned<gpiod_chip_info, gpiod_chip_info_free>;
using LineInfo = Owned<gpiod_line_info, gpiod_line_info_free>;
using LineSettings = Owned<gpiod_line_settings, gpiod_line_settings_free>;
using LineConfig = Owned<gpiod_line_config, gpiod_line_config_free>;
using RequestConfig = Owned<gpiod_request_config, gpiod_request_config_free>;
using LineRequest = Owned<gpiod_line_request, gpiod_line_request_release>;
using EventBuffer = Owned<gpiod_edge_event_buffer, gpiod_edge_event_buffer_free>;

constexpr std::size_t events_at_once = 16;

std::string or_empty(const char* text) {
    return text == nullptr ? std::string() : std::string(text);
}

[[noreturn]] void fail(const char* what) {
    throw std::system_error(errno, std::generic_category(), what);
}

class Request final : public GpioRequest {
public:
    Request(LineRequest request, unsigned offset, EventBuffer events) noexcept
        : request_(std::move(request)), offset_(offset), events_(std::move(events)) {}

    bool set(bool high) noexcept override {
        const gpiod_line_value value = high ? GPIOD_LINE_VALUE_ACTIVE : GPIOD_LINE_VALUE_INACTIVE;
        return gpiod_line_request_set_value(request_.get(), offset_, value) == 0;
    }
    std::optional<bool> level() noexcept override {
        const gpiod_line_value value = gpiod_line_request_get_value(request_.get(), offset_);
        if (value == GPIOD_LINE_VALUE_ERROR) return std::nullopt;
        return value == GPIOD_LINE_VALUE_ACTIVE;
    }
    std::optional<GpioEdges> edges() noexcept override {
        if (!events_) return std::nullopt;
        const int ready = gpiod_line_request_wait_edge_events(request_.get(), 0);
        if (ready < 0) return errno == EINTR ? std::optional<GpioEdges>(GpioEdges{}) : std::nullopt;
        if (ready == 0) return GpioEdges{};
        const int count = gpiod_line_request_read_edge_events(request_.get(), events_.get(), events_at_once);
        if (count < 0) return std::nullopt;
        GpioEdges edges{.rising = 0, .falling = 0, .more = static_cast<std::size_t>(count) == events_at_once};
        for (unsigned long i = 0; i < static_cast<unsigned long>(count); ++i) {
            gpiod_edge_event* const event = gpiod_edge_event_buffer_get_event(events_.get(), i);
            if (event == nullptr) return std::nullopt;
            ++(gpiod_edge_event_get_event_type(event) == GPIOD_EDGE_EVENT_RISING_EDGE ? edges.rising : edges.falling);
        }
        return edges;
    }

private:
    LineRequest request_;
    unsigned offset_;
    EventBuffer events_;  // inputs alone
};

class LibGpio final : public Gpio {
public:
    LibGpio(std::string sysfs_root, std::string device_folder)
        : sysfs_root_(std::move(sysfs_root)), device_folder_(std::move(device_folder)) {}

    std::vector<GpioChip> chips() override {
        std::vector<GpioChip> chips;
        for (const std::string& name : gpio_devices(device_folder_)) {
            GpioChip found{.name = name, .label = {}, .bus = bus_of_chip(sysfs_root_, name), .error = 0, .lines = {}};
            const ChipHandle chip = open_chip(name);
            const ChipInfo info(chip ? gpiod_chip_get_info(chip.get()) : nullptr);
            if (info) {
                found.label = or_empty(gpiod_chip_info_get_label(info.get()));
                look_at_lines(chip.get(), gpiod_chip_info_get_num_lines(info.get()), found);
            } else {
                found.error = errno;
            }
            chips.push_back(std::move(found));
        }
        return chips;
    }

    std::unique_ptr<GpioRequest> output(const std::string& chip, unsigned offset, bool high) override {
        const LineSettings settings = new_settings();
        const gpiod_line_value value = high ? GPIOD_LINE_VALUE_ACTIVE : GPIOD_LINE_VALUE_INACTIVE;
        // The level travels in the request: the pad becomes an output with it, never with another first.
        if (gpiod_line_settings_set_direction(settings.get(), GPIOD_LINE_DIRECTION_OUTPUT) != 0 ||
            gpiod_line_settings_set_output_value(settings.get(), value) != 0) {
            fail("set up GPIO output");
        }
        return std::make_unique<Request>(request(chip, offset, settings.get()), offset, EventBuffer());
    }

    std::unique_ptr<GpioRequest> input_with_edges(const std::string& chip, unsigned offset, Bias bias) override {
        const LineSettings settings = new_settings();
        const gpiod_line_bias pull = bias == Bias::pull_up     ? GPIOD_LINE_BIAS_PULL_UP
                                     : bias == Bias::pull_down ? GPIOD_LINE_BIAS_PULL_DOWN
                                                               : GPIOD_LINE_BIAS_AS_IS;
        if (gpiod_line_settings_set_direction(settings.get(), GPIOD_LINE_DIRECTION_INPUT) != 0 ||
            gpiod_line_settings_set_edge_detection(settings.get(), GPIOD_LINE_EDGE_BOTH) != 0 ||
            gpiod_line_settings_set_bias(settings.get(), pull) != 0) {
            fail("set up GPIO input");
        }
        EventBuffer events(gpiod_edge_event_buffer_new(events_at_once));
        if (!events) fail("set up GPIO events");
        return std::make_unique<Request>(request(chip, offset, settings.get()), offset, std::move(events));
    }

private:
    [[nodiscard]] ChipHandle open_chip(const std::string& name) const {
        return ChipHandle(gpiod_chip_open((device_folder_ + "/" + name).c_str()));
    }

    static LineSettings new_settings() {
        LineSettings settings(gpiod_line_settings_new());
        if (!settings) fail("set up GPIO line");
        return settings;
    }

    static void look_at_lines(gpiod_chip* chip, std::size_t count, GpioChip& found) {
        for (unsigned offset = 0; offset < count; ++offset) {
            const LineInfo info(gpiod_chip_get_line_info(chip, offset));
            if (!info) {
                found.lines.emplace_back();
                continue;
            }
            found.lines.push_back({.name = or_empty(gpiod_line_info_get_name(info.get())),
                                   .consumer = or_empty(gpiod_line_info_get_consumer(info.get())),
                                   .used = gpiod_line_info_is_used(info.get())});
        }
    }

    LineRequest request(const std::string& name, unsigned offset, gpiod_line_settings* settings) {
        const ChipHandle chip = open_chip(name);
        if (!chip) fail("open GPIO chip");
        const LineConfig line_config(gpiod_line_config_new());
        const RequestConfig request_config(gpiod_request_config_new());
        if (!line_config || !request_config ||
            gpiod_line_config_add_line_settings(line_config.get(), &offset, 1, settings) != 0) {
            fail("set up GPIO line");
        }
        gpiod_request_config_set_consumer(request_config.get(), gpio_consumer);
        LineRequest request(gpiod_chip_request_lines(chip.get(), request_config.get(), line_config.get()));
        if (!request) fail("request GPIO line");
        return request;  // holds its own descriptor: the chip may be closed
    }

    std::string sysfs_root_, device_folder_;
};

}  // namespace

std::unique_ptr<Gpio> make_gpio(const std::string& sysfs_root, const std::string& device_folder) {
    return std::make_unique<LibGpio>(sysfs_root, device_folder);
}

}  // namespace dekeyd::drivers

#endif
