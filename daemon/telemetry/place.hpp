// How far the events of the guard's journal have been delivered: kept by this program alone, in its own folder. A place
// that is lost costs duplicates, and those carry their number.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "plan/time.hpp"

namespace dekeyd {

class Place {
public:
    /// Reads what `folder` has. After a stop() that returned false a thread may hang in the kernel.
    explicit Place(const std::string& folder);
    ~Place();
    Place(const Place&) = delete;
    Place& operator=(const Place&) = delete;

    void start();
    /// Writes what isn't on the disk. False: not by the deadline.
    bool stop(core::Instant deadline);

    /// The last delivered number in the journal `epoch`, of which `durable` is the last: another journal begins at 0.
    std::uint64_t in(const std::string& epoch, std::uint64_t durable);
    /// It is written within a second.
    void set(std::uint64_t number);
    [[nodiscard]] std::uint64_t number() const;

private:
    class Impl;
    std::shared_ptr<Impl> impl_;
};

}  // namespace dekeyd
