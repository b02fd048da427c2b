// DS18B20 and its kin through the kernel's w1_therm.
#include <array>

#include "drivers/attribute.hpp"
#include "drivers/identity.hpp"
#include "drivers/sensor.hpp"

namespace dekeyd::drivers {

using core::Fault;
using core::Sensed;

namespace {

class W1Sensor final : public Sensor {
public:
    W1Sensor(const std::string& root, const std::string& id)
        : temperature_path_(root + "/bus/w1/devices/" + id + "/temperature"),
          slave_path_(root + "/bus/w1/devices/" + id + "/w1_slave"),
          family_(id.starts_with("10-") ? core::W1Family::ds18s20 : core::W1Family::ds18b20_and_kin) {}

    core::Sample read() noexcept override {
        if (!sought_) refresh();
        const Sensed sensed = sense();
        return {.value = sensed.value, .begun = {}, .openings = 0, .fault = sensed.fault};
    }

    // The id is in the path: the path *is* the identity.
    void refresh() noexcept override {
        sought_ = true;
        temperature_fault_ = temperature_.follow(temperature_path_.c_str());
        slave_fault_ = slave_.follow(slave_path_.c_str());
    }

    [[nodiscard]] std::string where() const override {
        return "1-Wire " + (use_slave() ? slave_path_ : temperature_path_);
    }

private:
    /// Kernels before `temperature` came have `w1_slave` alone.
    [[nodiscard]] bool use_slave() const noexcept {
        return temperature_fault_ == Fault::absent && slave_fault_ == Fault::none;
    }

    Sensed sense() noexcept {
        if (use_slave()) return sense_slave();
        if (temperature_fault_ != Fault::none) return {.value = 0.0, .fault = temperature_fault_};
        std::array<char, attribute_buffer> buffer;
        const Text text = temperature_.read(buffer);
        if (text.fault != Fault::none) return {.value = 0.0, .fault = text.fault};
        const Sensed sensed = core::parse_w1_temperature(text.bytes);
        // A bus shorted to ground answers zeros with a good CRC, which reads 0 degC. Only the raw bytes tell it from a
        // heatsink at exactly freezing point, at the price of one more conversion.
        if (sensed.fault == Fault::none && sensed.value == 0.0 && slave_fault_ == Fault::none) return sense_slave();
        return sensed;
    }

    Sensed sense_slave() noexcept {
        std::array<char, attribute_buffer> buffer;
        const Text text = slave_.read(buffer);
        if (text.fault != Fault::none) return {.value = 0.0, .fault = text.fault};
        return core::parse_w1_slave(text.bytes, family_);
    }

    std::string temperature_path_, slave_path_;
    core::W1Family family_;
    Attribute temperature_, slave_;
    Fault temperature_fault_ = Fault::never_read, slave_fault_ = Fault::never_read;
    bool sought_ = false;
};

}  // namespace

std::unique_ptr<Sensor> make_w1_sensor(const std::string& root, const std::string& id) {
    require_plain_name(id, "1-Wire id");
    return std::make_unique<W1Sensor>(root, id);
}

}  // namespace dekeyd::drivers
