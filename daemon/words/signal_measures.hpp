// The figures of the sent signal that a receiver elsewhere may measure: keys, ids and names.
#pragma once

#include <cstdint>

#include "plan/enum_words.hpp"

namespace dekeyd::formats {

/// What a receiver may measure of the sent signal, in dB; the larger the better. Terms as in ETSI TR 101 290 (from
/// memory): how far the shoulders beside an OFDM spectrum lie below it, and the power of the ideal symbols to that of
/// their errors (MER).
enum class SignalMeasure : std::uint8_t { shoulder_attenuation, modulation_error_ratio };
inline constexpr core::Words<SignalMeasure::modulation_error_ratio> signal_measure_keys{"shoulder_attenuation",
                                                                                        "modulation_error_ratio"};
inline constexpr core::Words<SignalMeasure::modulation_error_ratio> signal_measure_ids{"shoulder-attenuation",
                                                                                       "modulation-error-ratio"};
inline constexpr core::Words<SignalMeasure::modulation_error_ratio> signal_measure_names{"shoulder attenuation",
                                                                                         "modulation error ratio"};
inline constexpr std::size_t signal_measure_count = decltype(signal_measure_keys)::size;

}  // namespace dekeyd::formats
