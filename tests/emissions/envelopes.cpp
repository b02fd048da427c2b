#include "envelopes.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>
#include <vector>

namespace emissions {

namespace {

using Random = std::mt19937_64;
constexpr double pi = std::numbers::pi;

double uniform(Random& random, double low, double high) {
    return std::uniform_real_distribution<double>{low, high}(random);
}

double db(double power) {
    return power > 1e-12 ? 10.0 * std::log10(power) : silent_db;
}

class Carrier : public Envelope {
    double next_db() override { return 0.0; }
};

// ---- voice -------------------------------------------------------------------------------------------------------

class Voice : public Envelope {
public:
    explicit Voice(std::uint64_t seed) : random_{seed} { begin_syllable(); }

    double next_db() override {
        if (left_-- == 0) begin_syllable();
        level_ += (target_ - level_) / (0.015 * samples_per_s);  // a syllable rises and falls within some 15 ms
        pitch_hz_ += 0.002 * (pitch_target_hz_ - pitch_hz_);
        phase_ += pitch_hz_ / samples_per_s;
        double source = noise_share_ * 0.3 * normal_(random_);
        if (phase_ >= 1.0) {
            phase_ -= 1.0 + uniform(random_, -0.02, 0.02);  // jitter
            source += voiced_;
        }
        std::complex<double> sum{};
        for (std::size_t i = 0; i < formants_.size(); ++i) {
            state_[i] = poles_[i] * state_[i] + source;
            sum += gains_[i] * state_[i];
        }
        // The exciter's level control keeps peaks at the peak envelope power.
        return db(std::min(1.0, 1.6 * level_ * std::norm(sum)));
    }

private:
    void begin_syllable() {
        const bool pause = uniform(random_, 0.0, 1.0) < 0.12;
        const double length_s = pause ? uniform(random_, 0.15, 1.2) : uniform(random_, 0.06, 0.25);
        left_ = static_cast<std::size_t>(length_s * samples_per_s);
        target_ = pause ? 0.0 : std::pow(10.0, uniform(random_, -14.0, 0.0) / 10.0);
        const bool voiced = uniform(random_, 0.0, 1.0) < 0.75;
        voiced_ = voiced ? 1.0 : 0.0;
        noise_share_ = voiced ? 0.05 : 1.0;
        pitch_target_hz_ = uniform(random_, 85.0, 220.0);
        formants_ = {uniform(random_, 300.0, 800.0), uniform(random_, 900.0, 2200.0), uniform(random_, 2300.0, 2700.0)};
        for (std::size_t i = 0; i < formants_.size(); ++i) {
            const double width_hz = 60.0 + 40.0 * static_cast<double>(i);
            poles_[i] =
                std::exp(-pi * width_hz / samples_per_s) * std::polar(1.0, 2.0 * pi * formants_[i] / samples_per_s);
        }
    }

    Random random_;
    std::normal_distribution<double> normal_;
    std::size_t left_ = 0;
    double level_ = 0.0, target_ = 0.0, pitch_hz_ = 120.0, pitch_target_hz_ = 120.0, phase_ = 0.0;
    double voiced_ = 1.0, noise_share_ = 0.0;
    std::array<double, 3> formants_{};
    static constexpr std::array<double, 3> gains_{0.8, 0.4, 0.2};
    std::array<std::complex<double>, 3> poles_{}, state_{};
};

// ---- Morse -------------------------------------------------------------------------------------------------------

class Morse : public Envelope {
public:
    Morse(std::uint64_t seed, double words_a_minute) : random_{seed}, dot_s_{1.2 / words_a_minute} {}

    double next_db() override {
        if (left_ == 0) begin_element();
        --left_;
        // Keyed with edges of 5 ms, raised cosine.
        edge_ = std::clamp(edge_ + (down_ ? 1.0 : -1.0) / (0.005 * samples_per_s), 0.0, 1.0);
        const double amplitude = 0.5 - 0.5 * std::cos(pi * edge_);
        return db(amplitude * amplitude);
    }

private:
    void begin_element() {
        down_ = !down_;
        const double chance = uniform(random_, 0.0, 1.0);
        double dots = down_ ? (chance < 0.6 ? 1.0 : 3.0) : (chance < 0.65 ? 1.0 : chance < 0.93 ? 3.0 : 7.0);
        left_ = static_cast<std::size_t>(dots * dot_s_ * uniform(random_, 0.9, 1.1) * samples_per_s);  // by hand
    }

    Random random_;
    double dot_s_;
    std::size_t left_ = 0;
    bool down_ = false;
    double edge_ = 0.0;
};

// ---- digital television --------------------------------------------------------------------------------------------

// Taps of a root-raised-cosine filter, four samples a symbol.
std::vector<double> root_raised_cosine(double roll_off) {
    constexpr int each_side = 10 * 4;
    std::vector<double> taps;
    for (int i = -each_side; i <= each_side; ++i) {
        const double t = i / 4.0;
        double tap = 1.0 - roll_off + 4.0 * roll_off / pi;
        if (std::abs(std::abs(4.0 * roll_off * t) - 1.0) < 1e-9)
            tap = roll_off / std::sqrt(2.0) *
                  ((1.0 + 2.0 / pi) * std::sin(pi / (4.0 * roll_off)) +
                   (1.0 - 2.0 / pi) * std::cos(pi / (4.0 * roll_off)));
        else if (i != 0)
            tap = (std::sin(pi * t * (1.0 - roll_off)) + 4.0 * roll_off * t * std::cos(pi * t * (1.0 + roll_off))) /
                  (pi * t * (1.0 - 16.0 * roll_off * roll_off * t * t));
        taps.push_back(tap);
    }
    return taps;
}

class EightPsk : public Envelope {
public:
    EightPsk(std::uint64_t seed, double symbols_per_s) : random_{seed} {
        constexpr std::size_t symbols = 40'000;
        const std::vector<double> taps = root_raised_cosine(0.35);
        std::vector<std::complex<double>> points(symbols);
        for (auto& point : points) point = std::polar(1.0, pi / 4.0 * static_cast<double>(random_() % 8));
        std::vector<double> power;
        for (std::size_t n = 80; n + 80 < 4 * symbols; ++n) {
            std::complex<double> sum{};
            for (std::size_t k = n % 4; k < taps.size(); k += 4) sum += taps[k] * points[(n - k) / 4 + 10];
            power.push_back(std::norm(sum));
        }
        const double peak = *std::max_element(power.begin(), power.end());
        const auto each = static_cast<std::size_t>(4.0 * symbols_per_s / samples_per_s);
        for (std::size_t from = 0; from + each <= power.size(); from += each) {
            double sum = 0.0;
            for (std::size_t i = 0; i < each; ++i) sum += db(power[from + i] / peak);
            block_.push_back(sum / static_cast<double>(each));
        }
    }

    double next_db() override {
        if (left_ == 0) {  // the block, from elsewhere each time
            left_ = 200 + random_() % 400;
            at_ = random_() % (block_.size() - left_);
        }
        --left_;
        return block_[at_++];
    }

private:
    Random random_;
    std::vector<double> block_;
    std::size_t at_ = 0, left_ = 0;
};

}  // namespace

std::unique_ptr<Envelope> carrier() {
    return std::make_unique<Carrier>();
}
std::unique_ptr<Envelope> voice(std::uint64_t seed) {
    return std::make_unique<Voice>(seed);
}
std::unique_ptr<Envelope> morse(std::uint64_t seed, double words_a_minute) {
    return std::make_unique<Morse>(seed, words_a_minute);
}
std::unique_ptr<Envelope> eight_psk(std::uint64_t seed, double symbols_per_s) {
    return std::make_unique<EightPsk>(seed, symbols_per_s);
}

}  // namespace emissions
