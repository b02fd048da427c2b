#include "guard/own_folders.hpp"

#include <filesystem>
#include <system_error>

#include "base/exit_codes.hpp"
#include "base/log.hpp"

namespace dekeyd {

namespace {

int refused(const FolderLock& lock, FolderLock::Taken taken, const char* key) {
    if (taken == FolderLock::Taken::by_another) {
        spdlog::critical(
            "not started: {}; expected one daemon for each folder: end that one, or give this one folders of its own "
            "(paths: {}:)",
            lock.trouble(), key);
        return exit_configuration;
    }
    spdlog::critical("not started: {} (paths: {}:)", lock.trouble(), key);
    return exit_cannot_create;
}

}  // namespace

int OwnFolders::lock(const formats::Configuration& configuration) {
    if (const auto taken = state_.lock(configuration.state_directory); taken != FolderLock::Taken::yes)
        return refused(state_, taken, "state");
    std::error_code error;
    std::filesystem::create_directories(configuration.run_directory, error);
    if (const auto taken = run_.lock(configuration.run_directory); taken != FolderLock::Taken::yes)
        return refused(run_, taken, "run");
    run_.tell_who();
    return 0;
}

}  // namespace dekeyd
