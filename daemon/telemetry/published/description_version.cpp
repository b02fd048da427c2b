#include "telemetry/published/description_version.hpp"

#include <fmt/format.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <charconv>

#include "base/durable_file.hpp"
#include "base/sealed.hpp"

namespace dekeyd {

std::int64_t description_version(const std::string& directory, std::string_view document,
                                 const formats::WallStamp& now) {
    const std::string path = directory + "/description";
    const std::string sum = formats::hex32(formats::crc32(document));
    const formats::FileBytes file = formats::read_whole(path, 256);
    std::int64_t version =
        std::max<std::int64_t>(1, std::chrono::duration_cast<std::chrono::seconds>(now.since_1970).count());
    // "<version> <checksum of the document>\n"
    std::int64_t stored = 0;
    const char* const end = file.bytes.data() + file.bytes.size();
    const auto [rest, error] = std::from_chars(file.bytes.data(), end, stored);
    if (file.ok() && error == std::errc{} && stored > 0 && end - rest == 10 && *rest == ' ' && end[-1] == '\n') {
        if (std::string_view{rest + 1, 8} == sum) return stored;
        version = std::max(version, stored + 1);
    }
    if (const std::string trouble = formats::write_durably(path, fmt::format("{} {}\n", version, sum));
        !trouble.empty()) {
        spdlog::warn("{}", trouble);
    }
    return version;
}

}  // namespace dekeyd
