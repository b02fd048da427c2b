// The step queue: every input of every decision, from the guard to its recorder. The guard never waits: what finds no
// room is counted, and nothing is allocated after construction.
#pragma once

#include <atomic>
#include <cstdint>
#include <cstring>
#include <type_traits>
#include <vector>

#include "core/protection.hpp"
#include "plan/scan.hpp"
#include "store/captures/recorded.hpp"

namespace dekeyd {

/// One producer, one consumer. Records lie one behind the other and never across the end.
class StepQueue {
public:
    /// A busy amplifier has some 12 KiB a second: the usual room is for more than a minute.
    static constexpr std::size_t usual_bytes = 1024UL * 1024;
    explicit StepQueue(std::size_t bytes = usual_bytes) : bytes_(bytes) {}

    /// The guard: one decision with all that it was made of.
    void record(const core::StepInput& input, const core::Decision& decision) noexcept {
        ++number_;
        std::size_t size = sizeof(Head) + input.commands.size_bytes();
        for (const core::Scan& scan : input.scans) size += sizeof(ScanHead) + scan.samples.size_bytes();
        std::size_t place = claim(size);
        if (place == nowhere) {
            lost_.fetch_add(1, std::memory_order_relaxed);
            return;
        }
        const std::size_t begin = place;
        put(place, Head{.size = static_cast<std::uint32_t>(size),
                        .scans = static_cast<std::uint16_t>(input.scans.size()),
                        .commands = static_cast<std::uint16_t>(input.commands.size()),
                        .number = number_,
                        .now = input.now,
                        .line = input.line,
                        .contactor_line = input.contactor,
                        .suspended = input.suspended,
                        .permit = decision.permit,
                        .contactor = decision.contactor});
        for (const core::Scan& scan : input.scans) {
            put(place, ScanHead{scan.sampler, static_cast<std::uint16_t>(scan.samples.size())});
            for (const core::Sample& sample : scan.samples) put(place, sample);
        }
        for (const core::Command& command : input.commands) put(place, command);
        tail_.store(begin + size, std::memory_order_release);
    }

    /// The recorder: the next decision into `step`, whose room is used again. False: there is none.
    bool take(formats::RecordedStep& step) {
        std::size_t head = head_.load(std::memory_order_relaxed);
        const std::size_t tail = tail_.load(std::memory_order_acquire);
        if (head == tail) return false;
        if (bytes_.size() - head < sizeof(std::uint32_t) || size_at(head) == wrapped) head = 0;
        if (head == tail) return false;
        std::size_t place = head;
        Head record;
        get(place, record);
        step.number = record.number;
        step.now = record.now;
        step.line = record.line;
        step.contactor_line = record.contactor_line;
        step.suspended = record.suspended;
        step.permit = record.permit;
        step.contactor = record.contactor;
        step.scans.resize(record.scans);
        for (formats::RecordedScan& scan : step.scans) {
            ScanHead scan_head;
            get(place, scan_head);
            scan.sampler = scan_head.sampler;
            scan.samples.resize(scan_head.samples);
            for (core::Sample& sample : scan.samples) get(place, sample);
        }
        step.commands.resize(record.commands);
        for (core::Command& command : step.commands) get(place, command);
        head_.store(head + record.size, std::memory_order_release);
        return true;
    }

    /// Decisions that found no room.
    [[nodiscard]] std::uint64_t lost() const noexcept { return lost_.load(std::memory_order_relaxed); }

private:
    struct Head {
        std::uint32_t size = 0;
        std::uint16_t scans = 0, commands = 0;
        std::uint64_t number = 0;
        core::Instant now{};
        core::LineState line, contactor_line;
        core::Duration suspended{};
        bool permit = false, contactor = false;
    };
    struct ScanHead {
        std::uint16_t sampler = 0, samples = 0;
    };
    static constexpr std::size_t nowhere = static_cast<std::size_t>(-1);
    static constexpr std::uint32_t wrapped = 0xffffffff;

    // The tail never catches up with the head: equal means empty.
    std::size_t claim(std::size_t size) noexcept {
        const std::size_t tail = tail_.load(std::memory_order_relaxed);
        const std::size_t head = head_.load(std::memory_order_acquire);
        if (tail < head) return tail + size < head ? tail : nowhere;
        if (tail + size <= bytes_.size()) return tail;
        if (size >= head) return nowhere;
        if (bytes_.size() - tail >= sizeof wrapped) std::memcpy(&bytes_[tail], &wrapped, sizeof wrapped);
        return 0;
    }
    [[nodiscard]] std::uint32_t size_at(std::size_t place) const noexcept {
        std::uint32_t size = 0;
        std::memcpy(&size, &bytes_[place], sizeof size);
        return size;
    }
    template <class T>
    void put(std::size_t& place, const T& value) noexcept {
        static_assert(std::is_trivially_copyable_v<T>);
        std::memcpy(&bytes_[place], &value, sizeof value);
        place += sizeof value;
    }
    template <class T>
    void get(std::size_t& place, T& value) const noexcept {
        static_assert(std::is_trivially_copyable_v<T>);
        std::memcpy(static_cast<void*>(&value), &bytes_[place], sizeof value);
        place += sizeof value;
    }

    std::vector<std::uint8_t> bytes_;
    std::uint64_t number_ = 0;
    alignas(64) std::atomic<std::size_t> head_{0};
    alignas(64) std::atomic<std::size_t> tail_{0};
    alignas(64) std::atomic<std::uint64_t> lost_{0};
};

}  // namespace dekeyd
