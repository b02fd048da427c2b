// Envelopes of what amplifiers send, ten samples a millisecond, in dB below the peak envelope power. Each sample is the
// mean of the logarithm over its tenth of a millisecond: what a log detector without a filter would give.
//
// Sources: root-raised-cosine shaping as in ETSI EN 302 307 (roll-off 0.35); Morse timing by the word PARIS, a dot is
// 1.2 s / words a minute, a dash three dots, gaps one, three and seven; voice is our own: a glottal pulse train through
// three formants (figures in kind of any phonetics text, from memory), syllables of 60 to 250 ms, pauses between
// phrases.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <random>
#include <string>

namespace emissions {

inline constexpr double samples_per_s = 10'000.0;
inline constexpr double silent_db = -120.0;

class Envelope {
public:
    virtual ~Envelope() = default;
    virtual double next_db() = 0;
};

std::unique_ptr<Envelope> carrier();
std::unique_ptr<Envelope> voice(std::uint64_t seed);
std::unique_ptr<Envelope> morse(std::uint64_t seed, double words_a_minute);
std::unique_ptr<Envelope> eight_psk(std::uint64_t seed, double symbols_per_s);

}  // namespace emissions
