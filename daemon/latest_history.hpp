// The last captures' curves and the last transmissions, on their way from the archive to the telemetry: bounded, and
// the newest only. The guard has no part in it.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <mutex>
#include <string>
#include <utility>
#include <vector>

namespace dekeyd {

class LatestHistory {
public:
    static constexpr std::size_t places = 4;  ///< for captures; the oldest one's is taken next
    static constexpr std::size_t most_transmissions = 48;

    void put_capture(std::string outline) {
        const std::lock_guard lock{mutex_};
        kept_.captures[next_capture_++ % places] = std::move(outline);
        fresh_ = true;
    }
    /// `json`: one object.
    void put_transmission(std::string json) {
        const std::lock_guard lock{mutex_};
        transmissions_.push_back(std::move(json));
        if (transmissions_.size() > most_transmissions) transmissions_.pop_front();
        fresh_ = true;
    }
    /// Those from before the start, oldest first.
    void put_earlier_transmissions(std::vector<std::string> json) {
        const std::lock_guard lock{mutex_};
        while (!json.empty() && transmissions_.size() < most_transmissions) {
            transmissions_.push_front(std::move(json.back()));
            json.pop_back();
        }
        fresh_ = true;
    }

    struct Kept {
        std::array<std::string, places> captures;  ///< a JSON object each, or empty
        std::string transmissions = "[]";          ///< a JSON array, oldest first
    };
    /// False: nothing is new since the last time, and `kept` is as it was.
    bool take(Kept& kept) {
        const std::lock_guard lock{mutex_};
        if (!std::exchange(fresh_, false)) return false;
        kept_.transmissions = "[";
        for (const std::string& one : transmissions_) {
            if (kept_.transmissions.size() > 1) kept_.transmissions += ',';
            kept_.transmissions += one;
        }
        kept_.transmissions += ']';
        kept = kept_;
        return true;
    }

private:
    std::mutex mutex_;
    Kept kept_;
    std::deque<std::string> transmissions_;
    std::size_t next_capture_ = 0;
    bool fresh_ = false;
};

}  // namespace dekeyd
