// The events in the log. A flapping sensor must not flood the machine's journal; our own journal has every event.
#pragma once

#include <map>
#include <string>
#include <utility>

#include "base/log.hpp"
#include "core/interlock.hpp"

namespace dekeyd {

class EventLog {
public:
    /// With the level of its severity; of one kind and source at most so many in a while, and the rest counted.
    void write(const core::Event& event, const std::string& sentence);

private:
    std::map<std::pair<core::EventKind, core::SourceIndex>, RateLimit> limits_;
};

}  // namespace dekeyd
