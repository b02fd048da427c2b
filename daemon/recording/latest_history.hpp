// The last captures' curves and the last transmissions, on their way from the recorder to a reader: bounded, and the
// newest only. The guard has no part in it.
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
        captures_[next_capture_++ % places] = std::move(outline);
        ++version_;
    }
    /// `json`: one object.
    void put_transmission(std::string json) {
        const std::lock_guard lock{mutex_};
        transmissions_.push_back(std::move(json));
        if (transmissions_.size() > most_transmissions) transmissions_.pop_front();
        ++version_;
    }
    /// Those from before the start, oldest first.
    void put_earlier_transmissions(std::vector<std::string> json) {
        const std::lock_guard lock{mutex_};
        while (!json.empty() && transmissions_.size() < most_transmissions) {
            transmissions_.push_front(std::move(json.back()));
            json.pop_back();
        }
        ++version_;
    }

    /// `json`: an array, of all captures on the disk.
    void put_on_disk(std::string json) {
        const std::lock_guard lock{mutex_};
        on_disk_ = std::move(json);
        ++version_;
    }

    struct Kept {
        std::array<std::string, places> captures;  ///< a JSON object each, or empty
        std::string transmissions = "[]";          ///< a JSON array, oldest first
        std::string on_disk = "[]";                ///< likewise
    };
    /// False: nothing is new since `version`, which this sets, and `kept` is as it was. Versions count from 1.
    bool take(Kept& kept, std::uint64_t& version) {
        const std::lock_guard lock{mutex_};
        if (std::exchange(version, version_) == version_) return false;
        kept.captures = captures_;
        kept.transmissions = "[";
        for (const std::string& one : transmissions_) {
            if (kept.transmissions.size() > 1) kept.transmissions += ',';
            kept.transmissions += one;
        }
        kept.transmissions += ']';
        kept.on_disk = on_disk_;
        return true;
    }

private:
    std::mutex mutex_;
    std::array<std::string, places> captures_;
    std::deque<std::string> transmissions_;
    std::string on_disk_ = "[]";
    std::size_t next_capture_ = 0;
    std::uint64_t version_ = 1;
};

}  // namespace dekeyd
