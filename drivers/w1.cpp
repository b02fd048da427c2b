// DS18B20 and its kin through the kernel's w1_therm.
#include <algorithm>
#include <array>
#include <charconv>
#include <chrono>
#include <limits>
#include <string_view>
#include <utility>

#include "drivers/attribute.hpp"
#include "drivers/identity.hpp"
#include "drivers/sensor.hpp"

namespace dekeyd::drivers {

using core::Fault;
using core::Sensed;

namespace {

class W1Sensor final : public Sensor {
public:
    W1Sensor(const std::string& root, const std::string& id, const W1Reading& how)
        : how_{how},
          temperature_path_(root + "/bus/w1/devices/" + id + "/temperature"),
          slave_path_(root + "/bus/w1/devices/" + id + "/w1_slave"),
          resolution_path_(root + "/bus/w1/devices/" + id + "/resolution"),
          wait_path_(root + "/bus/w1/devices/" + id + "/conv_time"),
          family_(id.starts_with("10-") ? core::W1Family::ds18s20 : core::W1Family::ds18b20_and_kin) {}

    core::Sample read() noexcept override {
        if (!sought_) refresh();
        const Sensed sensed = sense();
        return {.value = sensed.value, .begun = {}, .openings = 0, .fault = sensed.fault};
    }

    // The id is in the path: the path *is* the identity.
    void refresh() noexcept override {
        sought_ = true;
        if (!by_frame()) temperature_fault_ = temperature_.follow(temperature_path_.c_str());
        slave_fault_ = slave_.follow(slave_path_.c_str());
        if (how_.conversion_time != nullptr) wait_fault_ = wait_.follow(wait_path_.c_str());
        if (waited_too_short_) renew_kernels_bits();
        if (how_.bits != 0 && bits_fault_ != Fault::none) bits_fault_ = set_bits();
    }

    [[nodiscard]] std::string where() const override {
        return "1-Wire " + (use_slave() ? slave_path_ : temperature_path_);
    }

private:
    [[nodiscard]] bool by_frame() const noexcept { return how_.by_frame || how_.bits != 0; }
    /// Kernels before `temperature` came have `w1_slave` alone. Where the kernel's wait is known, the frame is needed.
    [[nodiscard]] bool use_slave() const noexcept {
        return by_frame() || wait_known() || (temperature_fault_ == Fault::absent && slave_fault_ == Fault::none);
    }
    /// Before Linux 5.10, without this attribute, w1_therm always waits for the longest conversion.
    [[nodiscard]] bool wait_known() const noexcept {
        return how_.conversion_time != nullptr && wait_fault_ != Fault::absent && wait_fault_ != Fault::never_read;
    }

    /// The kernel asks the part when its attribute is read, and waits by that from then on.
    void renew_kernels_bits() noexcept {
        if (resolution_.follow(resolution_path_.c_str()) == Fault::none) static_cast<void>(resolution_.number());
    }

    /// A part that won't take them, as some copies of the DS18B20, isn't the one that it should be.
    [[nodiscard]] Fault set_bits() noexcept {
        if (const Fault fault = resolution_.follow(resolution_path_.c_str()); fault != Fault::none) return fault;
        Sensed now = resolution_.number();
        if (now.fault != Fault::none) return now.fault;
        if (now.value == how_.bits) return Fault::none;
        std::array<char, 8> text{};
        const auto end = std::to_chars(text.begin(), text.end() - 1, how_.bits).ptr;
        *end = '\n';
        const auto size = static_cast<std::size_t>(end - text.begin()) + 1;
        if (const Fault fault = write_text(resolution_path_.c_str(), {text.data(), size}); fault != Fault::none)
            return fault;
        now = resolution_.number();
        if (now.fault != Fault::none) return now.fault;
        return now.value == how_.bits ? Fault::none : Fault::wrong_device;
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
        if (slave_fault_ != Fault::none) return {.value = 0.0, .fault = slave_fault_};
        const Sensed waited = least_wait();
        if (waited.fault != Fault::none) return waited;
        std::array<char, attribute_buffer> buffer;
        const Text text = slave_.read(buffer);
        if (text.fault != Fault::none) return {.value = 0.0, .fault = text.fault};
        const Sensed sensed = core::parse_w1_slave(text.bytes, family_);
        if (sensed.fault != Fault::none) return sensed;
        // The kernel believes fewer bits than the part has, as after a loss of its supply: what it read is the value of
        // the conversion before, with a good checksum.
        waited_too_short_ = wait_known() && too_short(waited.value, text.bytes);
        if (waited_too_short_) return {.value = 0.0, .fault = Fault::io_error};
        if (how_.bits == 0) return sensed;
        // Without its supply for a moment, a part goes back to the bits that it keeps, and the kernel doesn't know: it
        // waits for the shorter conversion, and reads the value of the one before.
        if (bits_fault_ == Fault::none && core::w1_bits(text.bytes) != how_.bits) bits_fault_ = Fault::wrong_device;
        if (bits_fault_ != Fault::none) return {.value = 0.0, .fault = bits_fault_};
        return sensed;
    }

    /// Milliseconds. A common conversion has begun before its readings: so it may have waited as at the reading before.
    Sensed least_wait() noexcept {
        if (!wait_known()) return {.value = 0.0, .fault = Fault::none};
        if (wait_fault_ != Fault::none) return {.value = 0.0, .fault = wait_fault_};
        const Sensed now = wait_.number();
        if (now.fault != Fault::none) return now;
        return {.value = std::min(std::exchange(waited_before_, now.value), now.value), .fault = Fault::none};
    }

    [[nodiscard]] bool too_short(double waited_ms, std::string_view frame) const noexcept {
        const std::chrono::duration<double, std::milli> needed =
            how_.conversion_time(core::w1_bits(frame).value_or(12));
        return waited_ms < needed.count();
    }

    W1Reading how_;
    std::string temperature_path_, slave_path_, resolution_path_, wait_path_;
    core::W1Family family_;
    Attribute temperature_, slave_, resolution_, wait_;
    double waited_before_ = std::numeric_limits<double>::infinity();
    Fault bits_fault_ = Fault::never_read;
    Fault temperature_fault_ = Fault::never_read, slave_fault_ = Fault::never_read;
    Fault wait_fault_ = Fault::never_read;
    bool sought_ = false, waited_too_short_ = false;
};

}  // namespace

std::unique_ptr<Sensor> make_w1_sensor(const std::string& root, const std::string& id, const W1Reading& how) {
    require_plain_name(id, "1-Wire id");
    return std::make_unique<W1Sensor>(root, id, how);
}

}  // namespace dekeyd::drivers
