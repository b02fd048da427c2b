#include "core/reading.hpp"

namespace dekeyd::core {

std::string_view text(Fault fault) noexcept {
    switch (fault) {
        case Fault::none: return "none";
        case Fault::never_read: return "never read";
        case Fault::not_in_scan: return "not in this scan";
        case Fault::absent: return "absent";
        case Fault::empty: return "empty answer";
        case Fault::io_error: return "input/output error";
        case Fault::no_permission: return "no permission";
        case Fault::garbled: return "garbled";
        case Fault::bad_crc: return "bad CRC";
        case Fault::outside_part: return "outside what the part can give";
        case Fault::saturated_low: return "converter at its lower end";
        case Fault::saturated_high: return "converter at its upper end";
        case Fault::below_window: return "below its valid window";
        case Fault::above_window: return "above its valid window";
        case Fault::unconfirmed: return "waiting for a second reading";
        case Fault::wrong_device: return "not the device it should be";
        case Fault::chip_fault: return "the chip reports a fault";
        case Fault::frozen: return "unchanged for too long";
        case Fault::stale: return "stale";
        case Fault::implausible: return "implausible";
    }
    return "unknown fault";
}

std::string_view text(Health health) noexcept {
    switch (health) {
        case Health::unknown: return "unknown";
        case Health::good: return "good";
        case Health::at_floor: return "at the floor";
        case Health::not_measurable: return "not measurable";
        case Health::above_range: return "above range";
    }
    return "unknown";
}

std::string_view symbol(Unit unit) noexcept {
    switch (unit) {
        case Unit::none: return "";
        case Unit::celsius: return "°C";
        case Unit::watt: return "W";
        case Unit::dbm: return "dBm";
        case Unit::decibel: return "dB";
        case Unit::volt: return "V";
        case Unit::ampere: return "A";
        case Unit::rpm: return "rpm";
        case Unit::percent: return "%";
        case Unit::kelvin_per_watt: return "K/W";
        case Unit::second: return "s";
    }
    return "";
}

}  // namespace dekeyd::core
