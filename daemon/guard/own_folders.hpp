// The state's folder and the run folder, which are one daemon's alone for as long as it lives.
#pragma once

#include "base/folder_lock.hpp"
#include "configuration/configuration.hpp"

namespace dekeyd {

class OwnFolders {
public:
    /// Before anything else, and without a trace where another daemon has one of them. 0, or a code of
    /// base/exit_codes.hpp, logged.
    [[nodiscard]] int lock(const formats::Configuration& configuration);
    /// Writes into the state's folder whose it is; the run folder says so since take(). May wait for the storage.
    void tell_who() { state_.tell_who(); }

private:
    FolderLock state_, run_;
};

}  // namespace dekeyd
