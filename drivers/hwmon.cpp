// Supply, current, fan and board temperature through the kernel's hardware monitoring.
#include <array>
#include <exception>
#include <optional>
#include <stdexcept>
#include <string_view>

#include "drivers/attribute.hpp"
#include "drivers/identity.hpp"
#include "drivers/sensor.hpp"

namespace dekeyd::drivers {

using core::Fault;
using core::HwmonKind;
using core::Sensed;

namespace {

HwmonKind kind_of(const std::string& channel) {
    struct Prefix {
        std::string_view text;
        HwmonKind kind;
    };
    static constexpr std::array prefixes{Prefix{"in", HwmonKind::voltage}, Prefix{"curr", HwmonKind::current},
                                         Prefix{"temp", HwmonKind::temperature}, Prefix{"fan", HwmonKind::fan},
                                         Prefix{"power", HwmonKind::power}};
    const std::size_t digits = channel.find_first_of("0123456789");
    if (digits != std::string::npos && channel.find_first_not_of("0123456789", digits) == std::string::npos) {
        for (const Prefix& prefix : prefixes) {
            if (channel.substr(0, digits) == prefix.text) return prefix.kind;
        }
    }
    throw std::invalid_argument("hwmon channel '" + channel +
                                "': expected in, curr, temp, fan or power and its number, as in in1 or curr1");
}

class HwmonSensor final : public Sensor {
public:
    HwmonSensor(const std::string& root, const HwmonAddress& address)
        : root_(root), address_(address), kind_(kind_of(address.channel)) {}

    core::Sample read() noexcept override {
        if (!sought_) refresh();
        const Sensed sensed = sense();
        return {.value = sensed.value, .begun = {}, .openings = 0, .fault = sensed.fault};
    }

    void refresh() noexcept override {
        sought_ = true;
        try {
            fault_ = seek();
        } catch (const std::exception&) {  // out of memory: no reading is better than an unchecked one
            fault_ = Fault::io_error;
        }
        if (fault_ != Fault::none) value_.close();
    }

    [[nodiscard]] std::string where() const override {
        return located_.path.empty() ? "hwmon " + address_.channel + ": " + located_.note
                                     : "hwmon " + located_.path + "/" + address_.channel + "_input";
    }

private:
    Sensed sense() const noexcept {
        if (fault_ != Fault::none) return {.value = 0.0, .fault = fault_};
        if (own_fault_.is_open()) {
            const Sensed own = own_fault_.number();
            if (own.fault != Fault::none) return own;
            if (own.value != 0.0) return {.value = 0.0, .fault = Fault::chip_fault};
        }
        return core::scale_hwmon(value_.number(), kind_);
    }

    Fault seek() {
        located_ = locate(root_, root_ + "/class/hwmon", "hwmon", address_.chip, address_.label);
        if (located_.fault != Fault::none) return located_.fault;
        const std::string channel = located_.path + "/" + address_.channel;
        const Fault own = own_fault_.follow((channel + "_fault").c_str());
        if (own != Fault::none && own != Fault::absent) return own;
        return value_.follow((channel + "_input").c_str());
    }

    std::string root_;
    HwmonAddress address_;
    HwmonKind kind_;
    Located located_;
    Attribute value_;
    Attribute own_fault_;  ///< the chip's own <channel>_fault, where it has one
    Fault fault_ = Fault::never_read;
    bool sought_ = false;
};

}  // namespace

std::unique_ptr<Sensor> make_hwmon_sensor(const std::string& root, const HwmonAddress& address) {
    return std::make_unique<HwmonSensor>(root, address);
}

}  // namespace dekeyd::drivers
