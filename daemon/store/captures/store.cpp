#include "store/captures/store.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <filesystem>
#include <optional>

#include "base/durable_file.hpp"

namespace dekeyd::formats {
namespace {

std::optional<std::uint64_t> number_of(const std::string& path) {
    const std::string name = std::filesystem::path{path}.filename().string();
    std::uint64_t number = 0;
    const auto [end, error] = std::from_chars(name.data(), name.data() + name.size(), number);
    if (error != std::errc{} || end == name.data() || end == name.data() + name.size() || *end != '-') {
        return std::nullopt;
    }
    return number;
}

}  // namespace

std::vector<std::string> captures_in(const std::string& folder) {
    std::vector<std::string> paths;
    std::error_code error;
    for (std::filesystem::directory_iterator it{folder, error}, end; !error && it != end; it.increment(error)) {
        const std::string path = it->path().string();
        if (path.ends_with(".csv") && number_of(path)) paths.push_back(path);
    }
    std::sort(paths.begin(), paths.end(),
              [](const std::string& a, const std::string& b) { return *number_of(a) < *number_of(b); });
    return paths;
}

// Those, and what a power cut left half written.
std::string CaptureStore::make_room(std::size_t bytes) {
    std::error_code listing;
    for (std::filesystem::directory_iterator it{folder_, listing}, end; !listing && it != end; it.increment(listing)) {
        if (it->path().string().ends_with(".csv.new")) ::unlink(it->path().c_str());
    }
    const std::vector<std::string> paths = captures_in(folder_);
    std::vector<std::size_t> sizes;
    std::size_t total = bytes;
    for (const std::string& path : paths) {
        std::error_code error;
        const auto size = std::filesystem::file_size(path, error);
        sizes.push_back(error ? 0 : static_cast<std::size_t>(size));
        total += sizes.back();
    }
    for (std::size_t i = 0; i < paths.size(); ++i) {
        if (total <= most_bytes_ && paths.size() - i < most_) return {};
        if (::unlink(paths[i].c_str()) != 0 && errno != ENOENT) {
            return file_trouble("can't remove the oldest capture", paths[i], errno);
        }
        ++removed_;
        total -= sizes[i];
    }
    return {};
}

std::string CaptureStore::save(std::string_view name, std::string_view text) {
    if (std::string trouble = make_folder(folder_); !trouble.empty()) return trouble;
    const std::vector<std::string> paths = captures_in(folder_);
    const std::uint64_t number = paths.empty() ? 1 : *number_of(paths.back()) + 1;
    const std::string path = fmt::format("{}/{:06}-{}.csv", folder_, number, name);
    if (std::string trouble = make_room(text.size()); !trouble.empty()) return trouble;
    if (std::string trouble = write_durably(path, text); !trouble.empty()) return trouble;
    last_ = path;
    return {};
}

}  // namespace dekeyd::formats
