// The guard's events in the log. A flapping sensor must not flood the machine's journal; our own journal has every
// event.
#pragma once

#include <map>
#include <string>
#include <utility>

#include "base/log.hpp"
#include "control/outlet.hpp"
#include "core/interlock.hpp"
#include "recording/note_book.hpp"

namespace dekeyd {

class EventLog {
public:
    EventLog(const core::Plan& plan, Outlet& outlet, const NoteBook& notes)
        : plan_{plan}, outlet_{outlet}, notes_{notes} {}
    /// Writes what has come: with the level of its severity; of one kind and source at most so many in a while, and the
    /// rest counted.
    void write();

private:
    void write(const core::Event& event, const std::string& sentence);

    const core::Plan& plan_;
    Outlet& outlet_;
    const NoteBook& notes_;
    std::map<std::pair<core::EventKind, core::SourceIndex>, RateLimit> limits_;
};

}  // namespace dekeyd
