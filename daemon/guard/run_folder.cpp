#include "guard/run_folder.hpp"

#include <spdlog/spdlog.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <filesystem>
#include <string_view>
#include <system_error>
#include <vector>

#include "base/durable_file.hpp"
#include "drivers/line.hpp"
#include "guard/devices.hpp"

namespace dekeyd {
namespace {

// One file for each, for the stop hook takes one line at a time.
std::string line_file(const std::string& run_directory) {
    return run_directory + "/line";
}

std::string contactor_file(const std::string& run_directory) {
    return run_directory + "/contactor";
}

std::string dynamic_permit_file(const std::string& run_directory) {
    return run_directory + "/dynamic-permit";
}

}  // namespace

// A pad that an earlier configuration had may be an input by now.
std::string write_line_files(const formats::Configuration& configuration) {
    const std::string& folder = configuration.run_directory;
    std::string text;
    const auto write = [&text](const std::string& path, const formats::LineConfig* line) {
        if (!text.empty()) return;
        if (line != nullptr) {
            text = formats::write_durably(path, drivers::to_text(line_address(*line)) + '\n');
        } else if (::unlink(path.c_str()) != 0 && errno != ENOENT) {
            text = formats::file_trouble("can't remove", path, errno);
        }
    };
    const auto* contactor = configuration.contactor ? &*configuration.contactor : nullptr;
    const auto* dynamic_permit = configuration.dynamic_permit ? &*configuration.dynamic_permit : nullptr;
    write(contactor_file(folder), contactor);
    write(dynamic_permit_file(folder), dynamic_permit);
    write(line_file(folder), &configuration.line);
    return text;
}

std::string other_run_directory(const formats::Configuration& configuration) {
    const char* const given = std::getenv("RUNTIME_DIRECTORY");
    if (given == nullptr || *given == '\0') return {};
    const auto plain = [](std::string_view path) {
        std::error_code ignored;
        return std::filesystem::weakly_canonical(path, ignored);
    };
    const std::filesystem::path ours = plain(configuration.run_directory);
    for (std::string_view rest{given}; !rest.empty();) {
        const std::size_t end = rest.find(':');
        if (plain(rest.substr(0, end)) == ours) return {};
        rest.remove_prefix(end == std::string_view::npos ? rest.size() : end + 1);
    }
    const std::string_view all{given};
    return std::string{all.substr(0, all.find(':'))};
}

void inhibit_without_service(const std::string& run_directory, const std::string& sysfs_root,
                             const formats::LineConfig* configured) {
    std::vector<drivers::LineAddress> lines;
    constexpr std::size_t most_bytes = 8192;
    for (const std::string& path :
         {line_file(run_directory), contactor_file(run_directory), dynamic_permit_file(run_directory)}) {
        const formats::FileBytes known = formats::read_whole(path, most_bytes);
        if (!known.ok()) continue;
        if (const auto address = drivers::from_text(known.bytes)) lines.push_back(*address);
    }
    if (configured != nullptr) lines.push_back(line_address(*configured));
    for (const drivers::LineAddress& address : lines) {
        try {
            const auto line = drivers::open_line(address, sysfs_root);
            spdlog::info("inhibited: {}", line->describe());
        } catch (const drivers::LineError& error) {
            spdlog::error("{}: {}", error.busy ? "left alone" : "not inhibited by this start", error.what());
        }
    }
}

}  // namespace dekeyd
