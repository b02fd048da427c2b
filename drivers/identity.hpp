// Devices are found by what they are, never by their number: numbers change between boots, and while running.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "plan/reading.hpp"

namespace dekeyd::drivers {

/// Names of a folder's entries that begin with `prefix`, sorted. A folder that isn't there has none; `fault` says why.
std::vector<std::string> entries(const std::string& folder, std::string_view prefix, core::Fault* fault = nullptr);

/// A device's folder, or why none was chosen: absent, or wrong_device where several fit.
struct Located {
    std::string path;
    core::Fault fault = core::Fault::absent;
    std::string note;  ///< for people: what was found, and how to mend it
};

/// The one device below `folder` (entries beginning with `prefix`) whose `name` attribute is `name` and, where `label`
/// isn't empty, whose `label` attribute is `label` or whose real path below `root` contains it.
Located locate(const std::string& root, const std::string& folder, std::string_view prefix, const std::string& name,
               const std::string& label);

/// The real path with `root` taken off; the path itself where it can't be resolved.
std::string real_path_below(const std::string& root, const std::string& path);

/// Throws std::invalid_argument unless `word` can be one name in a path: not empty, no '/', no NUL, not starting with
/// a dot. `what` names it in the message.
void require_plain_name(const std::string& word, std::string_view what);

}  // namespace dekeyd::drivers
