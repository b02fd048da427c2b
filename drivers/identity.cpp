#include "drivers/identity.hpp"

#include <dirent.h>
#include <stdlib.h>

#include <algorithm>
#include <cerrno>
#include <memory>
#include <stdexcept>

#include "drivers/attribute.hpp"
#include "drivers/sensing.hpp"

namespace dekeyd::drivers {

using core::Fault;

namespace {

struct FolderCloser {
    void operator()(DIR* folder) const noexcept { ::closedir(folder); }
};

struct Freer {
    void operator()(char* text) const noexcept { ::free(text); }
};

std::string real_path(const std::string& path) {
    const std::unique_ptr<char, Freer> resolved(::realpath(path.c_str(), nullptr));
    return resolved ? std::string(resolved.get()) : std::string();
}

}  // namespace

std::vector<std::string> entries(const std::string& folder, std::string_view prefix, Fault* fault) {
    std::vector<std::string> names;
    const std::unique_ptr<DIR, FolderCloser> open(::opendir(folder.c_str()));
    if (fault != nullptr) *fault = open ? Fault::none : core::fault_from_errno(errno);
    if (!open) return names;
    while (const dirent* entry = ::readdir(open.get())) {
        const std::string_view name = entry->d_name;
        if (name != "." && name != ".." && name.starts_with(prefix)) names.emplace_back(name);
    }
    std::sort(names.begin(), names.end());
    return names;
}

std::string real_path_below(const std::string& root, const std::string& path) {
    const std::string real = real_path(path);
    if (real.empty()) return path;
    const std::string top = real_path(root);
    return !top.empty() && real.starts_with(top + "/") ? real.substr(top.size()) : real;
}

Located locate(const std::string& root, const std::string& folder, std::string_view prefix, const std::string& name,
               const std::string& label) {
    Fault folder_fault = Fault::none;
    std::vector<std::string> matches;
    for (const std::string& entry : entries(folder, prefix, &folder_fault)) {
        const std::string path = folder + "/" + entry;
        if (read_text(path + "/name").text != name) continue;
        if (!label.empty() && read_text(path + "/label").text != label &&
            real_path_below(root, path).find(label) == std::string::npos) {
            continue;
        }
        matches.push_back(path);
    }
    if (matches.size() == 1) return {.path = matches.front(), .fault = Fault::none, .note = {}};
    const std::string sought = "'" + name + "'" + (label.empty() ? "" : " with label '" + label + "'");
    if (matches.empty()) {
        return {.path = {},
                .fault = folder_fault == Fault::none ? Fault::absent : folder_fault,
                .note = "no device " + sought + " in " + folder};
    }
    std::string list;
    for (const std::string& match : matches) {
        list += (list.empty() ? "" : ", ") + match + " (" + real_path_below(root, match) + ")";
    }
    return {.path = {},
            .fault = Fault::wrong_device,
            .note = std::to_string(matches.size()) + " devices are called " + sought + ": " + list +
                    "; tell them apart by label: the device's own label, or a part of its path"};
}

void require_plain_name(const std::string& word, std::string_view what) {
    if (!word.empty() && word.front() != '.' && word.find('/') == std::string::npos &&
        word.find('\0') == std::string::npos) {
        return;
    }
    throw std::invalid_argument(std::string(what) + " '" + word +
                                "': expected one name as the kernel gives it, without '/' and not starting with '.'");
}

}  // namespace dekeyd::drivers
