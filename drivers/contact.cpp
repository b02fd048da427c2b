// A contact that opens when something is wrong: on a GPIO pad, or in a file on the bench.
#include <cerrno>
#include <cstdint>
#include <exception>
#include <stdexcept>
#include <string_view>
#include <system_error>
#include <utility>

#include "drivers/attribute.hpp"
#include "drivers/gpio.hpp"
#include "drivers/sensor.hpp"

namespace dekeyd::drivers {

using core::Fault;
using core::Sensed;

namespace {

constexpr std::string_view file_prefix = "file:";

core::Sample sample(bool normal, std::uint32_t openings) noexcept {
    return {.value = normal ? 1.0 : 0.0, .begun = {}, .openings = openings, .fault = Fault::none};
}

core::Sample faulty(Fault fault, std::uint32_t openings) noexcept {
    return {.value = 0.0, .begun = {}, .openings = openings, .fault = fault};
}

class GpioContact final : public Sensor {
public:
    GpioContact(ContactAddress address, std::unique_ptr<Gpio> gpio)
        : address_(std::move(address)), gpio_(std::move(gpio)) {}

    core::Sample read() noexcept override {
        if (!sought_) refresh();
        if (!request_) return faulty(fault_, openings_);
        std::uint32_t opened = 0;
        // A chattering contact must not hold the sampler: what is left is counted by the next read.
        for (int batch = 0; batch < 8; ++batch) {
            const std::optional<GpioEdges> edges = request_->edges();
            if (!edges) return lost();
            opened += normal_is_high() ? edges->falling : edges->rising;
            if (!edges->more) break;
        }
        const std::optional<bool> high = request_->level();
        if (!high) return lost();
        const bool normal = *high == normal_is_high();
        // Edges that overran the kernel's queue: the level alone shows that it left its position.
        if (opened == 0 && was_normal_ && !normal) opened = 1;
        was_normal_ = normal;
        openings_ += opened;
        return sample(normal, openings_);
    }

    // A requested line is an open descriptor of that very pad, which no renumbering moves; where the chip goes, reads
    // fail. So there is something to do only without one.
    void refresh() noexcept override {
        sought_ = true;
        if (request_) return;
        try {
            const std::vector<GpioChip> chips = gpio_->chips();
            const ChosenLine chosen = choose_line(chips, address_.chip, address_.line);
            const Bias bias = closed_is_high() ? Bias::pull_down : Bias::pull_up;
            request_ = gpio_->input_with_edges(chosen.chip->name, chosen.offset, bias);
            note_ = chosen.chip->name + " line " + std::to_string(chosen.offset);
            fault_ = Fault::none;
            was_normal_ = false;
        } catch (const AmbiguousLine& error) {
            refuse(Fault::wrong_device, error.what());
        } catch (const LineError& error) {
            refuse(Fault::absent, error.what());
        } catch (const std::system_error& error) {
            refuse(core::fault_from_errno(error.code().value()), error.what());
        } catch (const std::exception&) {
            refuse(Fault::io_error, "");
        }
    }

    [[nodiscard]] std::string where() const override { return "contact '" + address_.line + "': " + note_; }

private:
    [[nodiscard]] bool closed_is_high() const noexcept { return address_.wiring == ContactWiring::to_supply; }

    [[nodiscard]] bool normal_is_high() const noexcept { return closed_is_high() == address_.normally_closed; }

    core::Sample lost() noexcept {
        fault_ = core::fault_from_errno(errno);
        if (fault_ == Fault::none) fault_ = Fault::io_error;
        request_.reset();
        return faulty(fault_, openings_);
    }

    void refuse(Fault fault, const char* why) noexcept {
        fault_ = fault;
        try {
            note_ = why;
        } catch (const std::exception&) {
            note_.clear();
        }
    }

    ContactAddress address_;
    std::unique_ptr<Gpio> gpio_;
    std::unique_ptr<GpioRequest> request_;
    std::string note_;
    Fault fault_ = Fault::never_read;
    std::uint32_t openings_ = 0;
    bool was_normal_ = false;
    bool sought_ = false;
};

class FileContact final : public Sensor {
public:
    FileContact(std::string path, bool normally_closed)
        : path_(std::move(path)), normal_value_(normally_closed ? 1.0 : 0.0) {}

    core::Sample read() noexcept override {
        if (!sought_) refresh();
        if (fault_ != Fault::none) return faulty(fault_, openings_);
        const Sensed sensed = file_.number();
        if (sensed.fault != Fault::none) return faulty(sensed.fault, openings_);
        if (sensed.value != 0.0 && sensed.value != 1.0) return faulty(Fault::garbled, openings_);
        const bool normal = sensed.value == normal_value_;
        if (was_normal_ && !normal) ++openings_;
        was_normal_ = normal;
        return sample(normal, openings_);
    }

    void refresh() noexcept override {
        sought_ = true;
        fault_ = file_.follow(path_.c_str());
    }

    [[nodiscard]] std::string where() const override { return "contact file " + path_; }

private:
    std::string path_;
    double normal_value_;
    Attribute file_;
    Fault fault_ = Fault::never_read;
    std::uint32_t openings_ = 0;
    bool was_normal_ = false;
    bool sought_ = false;
};

}  // namespace

std::unique_ptr<Sensor> make_gpio_contact(const ContactAddress& address, std::unique_ptr<Gpio> gpio) {
    return std::make_unique<GpioContact>(address, std::move(gpio));
}

std::unique_ptr<Sensor> make_contact_sensor(const std::string& root, const ContactAddress& address) {
    if (!address.line.starts_with(file_prefix)) return make_gpio_contact(address, make_gpio(root));
    const std::string path = address.line.substr(file_prefix.size());
    if (path.empty() || path.front() == '/' || ("/" + path + "/").find("/../") != std::string::npos) {
        throw std::invalid_argument("contact '" + address.line +
                                    "': expected file: and a path below the root, without ..");
    }
    return std::make_unique<FileContact>(root + "/" + path, address.normally_closed);
}

}  // namespace dekeyd::drivers
