#include "station.hpp"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <iterator>

#include "maths/rf.hpp"

namespace emissions {

namespace {

using namespace std::chrono_literals;

constexpr std::size_t slot_samples = 26;     // 2.6 ms a conversion with its change of channel: ADS1115 at 860 a second,
constexpr std::size_t counted_samples = 12;  // of which it integrates the last 1.16 ms
constexpr double detector_floor_dbm = -55.0;
constexpr double silent_start_s = 8.0;

double volts(double dbm) {  // the annotated file's detectors: -24.4 mV/dB, 19.6 dBm
    return -0.0244 * (dbm - 19.6);
}

double dbm(double watts) {
    return watts > 1e-12 ? 10.0 * std::log10(watts) + 30.0 : -90.0;
}

}  // namespace

formats::Configuration annotated(const std::vector<std::array<std::string, 2>>& changes) {
    std::ifstream in{DEKEYD_SOURCE_DIR "/config/dekeyd.yaml"};
    std::string text{std::istreambuf_iterator<char>{in}, {}};
    for (const auto& change : changes) {
        const std::string &from = change[0], &to = change[1];
        const std::size_t at = text.find(from);
        CAPTURE(from);
        REQUIRE(at != std::string::npos);
        text.replace(at, from.size(), to);
    }
    formats::Loaded loaded = formats::load_configuration(text);
    for (const auto& fault : loaded.faults) MESSAGE(formats::render("text", text, fault));
    REQUIRE(loaded.configuration);
    return std::move(*loaded.configuration);
}

Station::Station(const core::Plan& plan, std::unique_ptr<Envelope> envelope, const Circumstances& circumstances,
                 std::uint64_t seed)
    : plan_{plan}, protection_{plan, {}, false}, envelope_{std::move(envelope)}, how_{circumstances}, random_{seed} {
    for (const std::uint16_t slots : plan.samplers) samples_.emplace_back(slots);
}

core::Instant Station::instant() const {
    return core::Instant{1000s} + std::chrono::microseconds{100} * static_cast<std::int64_t>(sample_);
}

void Station::run_s(double seconds) {
    const auto end = sample_ + static_cast<std::size_t>(seconds * samples_per_s);
    while (sample_ < end && !(stop_at_trip && tripped_at_s >= 0.0)) advance();
}

void Station::advance() {
    const double now = now_s();
    const double turn = std::fmod(now - silent_start_s, how_.over_s + how_.pause_s);
    sending_ = now >= silent_start_s && turn < how_.over_s;
    const double below_db = envelope_->next_db();
    const double exciter_db = sending_ ? below_db : silent_db;
    const double line_dbm = permitted() ? exciter_db + dbm(how_.peak_w) : -90.0;
    const double reflected_db = 20.0 * std::log10(std::max(how_.reflection, 1e-3));
    const std::array<double, 3> at{line_dbm - 50.5, line_dbm + reflected_db - 50.5,
                                   exciter_db + dbm(how_.peak_w) - 18.0 - 30.5};
    const double step_share = 1.0 - std::exp(-1.0 / (how_.filter_s * samples_per_s));
    for (std::size_t i = 0; i < at.size(); ++i)
        filtered_dbm_[i] += step_share * (std::max(at[i], detector_floor_dbm) - filtered_dbm_[i]);
    const double volts_share = permitted() ? std::pow(10.0, exciter_db / 20.0) * std::sqrt(how_.peak_w / 120.0) : 0.0;
    amplitude_ += (volts_share - amplitude_) / (0.084 * samples_per_s);

    if (!scanning_ && sample_ >= scan_at_) begin_scan();
    if (scanning_) convert();
    ++sample_;
    if (!scanning_ && instant() >= next_wake_) step(instant(), {});
}

void Station::begin_scan() {
    scanning_ = true;
    slot_ = 0;
    slot_begun_ = sample_;
    // Threads are woken some tenths of a millisecond late.
    scan_at_ = sample_ + static_cast<std::size_t>(how_.fast_period_s * samples_per_s) + random_() % 8;
}

void Station::convert() {
    const std::size_t of = plan_.channels[*plan_.roles.forward].sampler;
    const std::size_t passed = sample_ - slot_begun_;
    const auto channel = [&](const auto& role) { return plan_.channels[*role].slot; };
    const std::size_t which = slot_ == channel(plan_.roles.reflected) ? 1 : slot_ == channel(plan_.roles.drive) ? 2 : 0;
    if (passed + counted_samples >= slot_samples) {
        sum_dbm_ += filtered_dbm_[which];
        ++summed_;
    }
    if (passed + 1 < slot_samples) return;
    const double shown = which == 1 && dead_ ? detector_floor_dbm : sum_dbm_ / static_cast<double>(summed_);
    const core::Instant begun = instant() - std::chrono::microseconds{100} * static_cast<std::int64_t>(passed);
    samples_[of][slot_] = {.value = volts(shown), .begun = begun, .fault = core::Fault::none};
    sum_dbm_ = 0.0;
    summed_ = 0;
    slot_begun_ = sample_ + 1;
    if (++slot_ < samples_[of].size()) return;
    scanning_ = false;
    hand_over(instant());
}

void Station::hand_over(core::Instant now) {
    const auto sampler_of = [&](const auto& role) { return plan_.channels[*role].sampler; };
    std::vector<core::Scan> scans{{.sampler = sampler_of(plan_.roles.forward), .samples = {}}};
    scans[0].samples = samples_[scans[0].sampler];
    const auto put = [&](const auto& role, double value) {
        const core::Channel& channel = plan_.channels[*role];
        samples_[channel.sampler][channel.slot] = {.value = value, .begun = now - 85ms, .fault = core::Fault::none};
    };
    const double rf_w = amplitude_ * amplitude_ * 120.0;
    const double dc_w = 28.0 * (1.5 + 9.0 * amplitude_);
    const std::array<double, 3> periods_s{2.6, 0.1, 0.5};
    const std::array<std::uint16_t, 3> samplers{sampler_of(plan_.roles.heatsink), sampler_of(plan_.roles.supply),
                                                sampler_of(plan_.roles.fan)};
    for (std::size_t i = 0; i < periods_s.size(); ++i) {
        if (sample_ < slow_at_[i]) continue;
        slow_at_[i] = sample_ + static_cast<std::size_t>(periods_s[i] * samples_per_s);
        if (i == 0) {
            heatsink_c_ += periods_s[0] / 300.0 * (30.0 + 0.08 * (dc_w - rf_w) - heatsink_c_);
            put(plan_.roles.heatsink, std::round(heatsink_c_ * 16.0) / 16.0);
            put(plan_.roles.ambient, 25.0);
        } else if (i == 1) {
            put(plan_.roles.supply, 28.0);
            put(plan_.roles.current, 1.5 + 9.0 * amplitude_);
        } else {
            put(plan_.roles.fan, 2400.0);
        }
        scans.push_back({.sampler = samplers[i], .samples = samples_[samplers[i]]});
    }
    step(now, scans);
}

void Station::step(core::Instant now, const std::vector<core::Scan>& scans) {
    const bool permit = permitted();
    const core::Decision decision =
        protection_.step({.now = now, .scans = scans, .commands = {}, .line = {.known = true, .permit = permit}});
    next_wake_ = std::min(decision.wake_at, now + 20ms);
    if (permit && !decision.permit && tripped_at_s < 0.0) tripped_at_s = now_s();
    for (const core::Event& event : protection_.events()) {
        if (event.kind != core::EventKind::tripped && event.kind != core::EventKind::latched) continue;
        const auto info = core::describe_source(plan_, event.source);
        trips.push_back(std::string{info.id} + (event.reading.health == core::Health::unknown ? " unknown" : ""));
    }
    if (snapshot().state == core::State::locked_out && locked_out_at_s < 0.0) locked_out_at_s = now_s();
}

}  // namespace emissions
