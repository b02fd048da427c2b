// How far the events of the guard's journal have been delivered: kept by this program alone, in its own folder. A place
// that is lost costs duplicates, and those carry their number.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "plan/time.hpp"

namespace dekeyd {

class DeliveredPlace {
public:
    /// Reads what `folder` has. After a stop() that returned false a thread may hang in the kernel.
    explicit DeliveredPlace(const std::string& folder);
    ~DeliveredPlace();
    DeliveredPlace(const DeliveredPlace&) = delete;
    DeliveredPlace& operator=(const DeliveredPlace&) = delete;

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
