#include "bench/faults.hpp"

#include <utility>

namespace bench {
namespace {

constexpr std::pair<std::string_view, SensorFault> sensor_words[] = {
    {"good", SensorFault::good},         {"absent", SensorFault::absent},   {"empty", SensorFault::empty},
    {"garbage", SensorFault::garbage},   {"frozen", SensorFault::frozen},   {"85", SensorFault::power_on},
    {"crc", SensorFault::crc},           {"jammed", SensorFault::jammed},   {"swapped", SensorFault::swapped},
    {"rf-noise", SensorFault::rf_noise}, {"shorted", SensorFault::shorted},
};

constexpr std::pair<std::string_view, ChipFault> chip_words[] = {
    {"good", ChipFault::good},       {"absent", ChipFault::absent},       {"empty", ChipFault::empty},
    {"garbage", ChipFault::garbage}, {"stuck", ChipFault::stuck},         {"railed", ChipFault::railed},
    {"zero", ChipFault::zero},       {"exchanged", ChipFault::exchanged}, {"renumbered", ChipFault::renumbered},
    {"jammed", ChipFault::jammed},   {"ones", ChipFault::ones},
};

template <typename Value, std::size_t Size>
std::optional<Value> find(const std::pair<std::string_view, Value> (&words)[Size], std::string_view word) noexcept {
    for (const auto& entry : words) {
        if (entry.first == word) return entry.second;
    }
    return std::nullopt;
}

}  // namespace

std::optional<SensorFault> sensor_fault(std::string_view word) noexcept {
    return find(sensor_words, word);
}

std::optional<ChipFault> chip_fault(std::string_view word) noexcept {
    return find(chip_words, word);
}

std::string_view sensor_fault_words() noexcept {
    return "good, absent, empty, garbage, frozen, 85, crc, rf-noise, shorted, jammed or swapped";
}

std::string_view chip_fault_words() noexcept {
    return "good, absent, empty, garbage, stuck, railed, zero, ones, exchanged, renumbered or jammed";
}

}  // namespace bench
