// Analogue converters through the kernel's industrial I/O: (raw + offset) * scale.
#include <exception>
#include <vector>

#include "drivers/attribute.hpp"
#include "drivers/identity.hpp"
#include "drivers/sensor.hpp"

namespace dekeyd::drivers {

using core::Fault;
using core::Sensed;

namespace {

/// The ABI shares an attribute between channels by dropping their digits, then their modifier:
/// in_voltage0_scale, in_voltage_scale; in_temp_ambient_scale, in_temp_scale.
std::vector<std::string> shared_names(const std::string& channel) {
    std::vector<std::string> names{channel};
    std::string undigited;
    for (const char c : channel) {
        if (c < '0' || c > '9') undigited += c;
    }
    const auto add = [&names](const std::string& name) {
        if (name != names.back()) names.push_back(name);
    };
    add(undigited);
    add(undigited.substr(0, undigited.find_first_of("_-")));
    return names;
}

class IioSensor final : public Sensor {
public:
    IioSensor(const std::string& root, const IioAddress& address)
        : root_(root), address_(address), shared_(shared_names(address.channel)) {
        if (address.lowest_code != address.highest_code) {
            scaling_.lowest = address.lowest_code;
            scaling_.highest = address.highest_code;
        }
    }

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
        const std::string channel = "in_" + address_.channel;
        return located_.path.empty()
                   ? "IIO " + channel + ": " + located_.note
                   : "IIO " + located_.path + "/" + channel + (raw_ ? "_raw" : "_input") + scale_note_;
    }

private:
    Sensed sense() const noexcept {
        if (fault_ != Fault::none) return {.value = 0.0, .fault = fault_};
        return core::scale_iio(value_.number(), raw_ ? scaling_ : core::IioScaling{});
    }

    Fault seek() {
        located_ = locate(root_, root_ + "/bus/iio/devices", "iio:device", address_.device, address_.label);
        if (located_.fault != Fault::none) return located_.fault;
        const std::string channel = located_.path + "/in_" + address_.channel;
        raw_ = true;
        Fault fault = value_.follow((channel + "_raw").c_str());
        if (fault == Fault::absent) {
            raw_ = false;
            fault = value_.follow((channel + "_input").c_str());
        }
        if (fault != Fault::none || !raw_) return fault;
        const Sensed scale = shared_number("_scale");
        if (scale.fault != Fault::none) return scale.fault;
        const Sensed offset = shared_number("_offset");  // many converters have none
        if (offset.fault != Fault::none && offset.fault != Fault::absent) return offset.fault;
        if (!(scale.value > 0.0)) {
            scale_note_ = " (its scale is " + std::to_string(scale.value) + "; expected more than 0)";
            return Fault::garbled;
        }
        scale_note_.clear();
        scaling_.scale = scale.value;
        scaling_.offset = offset.fault == Fault::none ? offset.value : 0.0;
        return Fault::none;
    }

    /// The channel's own attribute, else the shared one; absent where there is neither.
    Sensed shared_number(const std::string& suffix) const {
        for (const std::string& name : shared_) {
            const Sensed sensed = read_number(located_.path + "/in_" + name + suffix);
            if (sensed.fault != Fault::absent) return sensed;
        }
        return {.value = 0.0, .fault = Fault::absent};
    }

    std::string root_;
    IioAddress address_;
    std::vector<std::string> shared_;
    core::IioScaling scaling_;
    Located located_;
    std::string scale_note_;
    Attribute value_;
    Fault fault_ = Fault::never_read;
    bool raw_ = true;
    bool sought_ = false;
};

}  // namespace

std::unique_ptr<Sensor> make_iio_sensor(const std::string& root, const IioAddress& address) {
    require_plain_name(address.channel, "IIO channel");
    return std::make_unique<IioSensor>(root, address);
}

}  // namespace dekeyd::drivers
