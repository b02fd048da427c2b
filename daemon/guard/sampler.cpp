#include "guard/sampler.hpp"

#include <algorithm>
#include <utility>

namespace dekeyd {

namespace {

ScanBuffer blank_scan(std::size_t slots) {
    ScanBuffer buffer;
    buffer.samples.resize(slots);
    return buffer;
}

}  // namespace

Sampler::Sampler(BusPlan bus, Wake& guard, Clock clock)
    : bus_{std::move(bus)},
      guard_{guard},
      clock_{clock},
      scans_{scan_places, blank_scan(bus_.slots.size())},
      overflow_{blank_scan(bus_.slots.size())},
      states_(bus_.sensors.size()) {}

void Sampler::run() noexcept {
    core::Instant next = clock_();
    while (!leave_.load(std::memory_order_acquire)) {
        round();
        const core::Instant now = clock_();
        // A bus that fell behind goes on from now; it doesn't make up for what it missed.
        next = std::max(next + bus_.period, now);
        while (!leave_.load(std::memory_order_acquire) && clock_() < next) wake_.wait(next);
    }
}

void Sampler::round() noexcept {
    for (std::size_t sensor = 0; sensor < bus_.sensors.size(); ++sensor) refresh_where_due(sensor);
    if (bus_.conversion) {
        round_of_one_conversion();
        return;
    }
    if (!bus_.one_at_a_time) {
        ScanBuffer* const buffer = claim();
        for (std::size_t slot = 0; slot < bus_.slots.size(); ++slot) read_slot(slot, buffer->samples[slot]);
        hand_over(buffer);
        return;
    }
    for (std::size_t slot = 0; slot < bus_.slots.size() && !leave_.load(std::memory_order_relaxed); ++slot) {
        ScanBuffer* const buffer = claim();
        for (core::Sample& sample : buffer->samples) sample = {};
        read_slot(slot, buffer->samples[slot]);
        hand_over(buffer);
    }
}

// Where the common conversion fails, so does every reading: one by one they would take longer than `check` says. What
// is left unread by leave() is no scan.
void Sampler::round_of_one_conversion() noexcept {
    const core::Instant begun = clock_();
    const core::Fault fault = bus_.conversion->convert(leave_);
    ScanBuffer* const buffer = claim();
    for (std::size_t slot = 0; slot < bus_.slots.size(); ++slot) {
        if (leave_.load(std::memory_order_relaxed)) return;
        core::Sample& sample = buffer->samples[slot];
        if (fault == core::Fault::none) {
            read_slot(slot, sample);
        } else {
            sample = {.value = 0.0, .begun = {}, .openings = 0, .fault = fault};
            note(bus_.slots[slot], fault);
        }
        sample.begun = begun;
    }
    hand_over(buffer);
}

void Sampler::read_slot(std::size_t slot, core::Sample& sample) noexcept {
    const std::size_t sensor = bus_.slots[slot];
    const core::Instant begun = clock_();
    sample = bus_.sensors[sensor]->read();
    sample.begun = begun;
    note(sensor, sample.fault);
}

void Sampler::note(std::size_t sensor, core::Fault fault) noexcept {
    const bool faulty = fault != core::Fault::none;
    if (faulty) faults_.fetch_add(1, std::memory_order_relaxed);
    states_[sensor].faulty = faulty;
}

void Sampler::refresh_where_due(std::size_t sensor) noexcept {
    SensorState& state = states_[sensor];
    const core::Instant now = clock_();
    if (state.seen && now - state.refreshed < (state.faulty ? seek_interval : refresh_interval)) return;
    bus_.sensors[sensor]->refresh();
    state.refreshed = now;
    state.seen = true;
}

ScanBuffer* Sampler::claim() noexcept {
    ScanBuffer* const place = scans_.claim();
    return place != nullptr ? place : &overflow_;
}

void Sampler::hand_over(ScanBuffer* buffer) noexcept {
    buffer->finished = clock_();
    last_scan_ns_.store(buffer->finished.time_since_epoch().count(), std::memory_order_release);
    if (buffer == &overflow_) return;
    scans_.commit();
    guard_.ring();
}

void Sampler::leave() noexcept {
    leave_.store(true, std::memory_order_release);
    wake_.ring();
}

}  // namespace dekeyd
