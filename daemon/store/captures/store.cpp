#include "store/captures/store.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
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

/// The top of a capture: what stands behind "# <key>: " in its first lines.
std::string noted(const std::string& top, const std::string& key) {
    constexpr std::size_t longest = 300;
    const std::string mark = "# " + key + ": ";
    const std::size_t at = top.find(mark);
    if (at == std::string::npos || (at != 0 && top[at - 1] != '\n')) return {};
    const std::size_t from = at + mark.size();
    return top.substr(from, std::min(top.find_first_of("\r\n", from) - from, longest));
}

}  // namespace

std::string capture_list(const std::string& folder, std::size_t most) {
    const std::vector<std::string> paths = captures_in(folder);
    nlohmann::ordered_json all = nlohmann::ordered_json::array();
    for (std::size_t i = paths.size() - std::min(most, paths.size()); i < paths.size(); ++i) {
        std::error_code error;
        const auto size = std::filesystem::file_size(paths[i], error);
        std::string top(2048, '\0');
        std::ifstream in{paths[i], std::ios::binary};
        in.read(top.data(), static_cast<std::streamsize>(top.size()));
        top.resize(static_cast<std::size_t>(in.gcount()));
        nlohmann::ordered_json one;
        one["name"] = std::filesystem::path{paths[i]}.filename().string();
        one["wall"] = noted(top, "origin-utc");
        one["cause"] = noted(top, "cause");
        one["size"] = error ? 0 : size;
        all.push_back(std::move(one));
    }
    return all.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
}

CapturePart capture_part(const std::string& folder, const std::string& name, std::uint64_t offset, std::size_t most) {
    CapturePart part{.name = name, .offset = offset};
    constexpr std::string_view letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_.:-";
    if (!name.ends_with(".csv") || !number_of(name) || name.find_first_not_of(letters) != std::string::npos) {
        part.error = "this is no capture's name; expected one of the list";
        return part;
    }
    const int file = ::open((folder + "/" + name).c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    struct stat about {};
    if (file < 0 || ::fstat(file, &about) != 0 || !S_ISREG(about.st_mode)) {
        if (file >= 0) ::close(file);
        part.error = "there is no such capture any more; expected one of the list";
        return part;
    }
    part.size = static_cast<std::uint64_t>(about.st_size);
    part.text.resize(static_cast<std::size_t>(std::min<std::uint64_t>(most, part.size - std::min(part.size, offset))));
    const ssize_t got = ::pread(file, part.text.data(), part.text.size(), static_cast<off_t>(offset));
    ::close(file);
    if (got < 0) part.error = "the storage can't read it; expected: try again";
    part.text.resize(got < 0 ? 0 : static_cast<std::size_t>(got));
    const std::size_t end = part.text.rfind('\n');
    if (offset + part.text.size() < part.size && end != std::string::npos) part.text.resize(end + 1);
    return part;
}

std::vector<std::string> captures_in(const std::string& folder) {
    std::error_code trouble;
    return captures_in(folder, trouble);
}

std::vector<std::string> captures_in(const std::string& folder, std::error_code& trouble) {
    std::vector<std::string> paths;
    std::error_code error;
    for (std::filesystem::directory_iterator it{folder, error}, end; !error && it != end; it.increment(error)) {
        const std::string path = it->path().string();
        if (path.ends_with(".csv") && number_of(path)) paths.push_back(path);
    }
    trouble = error == std::errc::no_such_file_or_directory ? std::error_code{} : error;
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
