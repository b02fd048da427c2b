#include "base/wall_time.hpp"

#include <fmt/format.h>

#include <algorithm>

namespace dekeyd::formats {

std::string to_iso(std::chrono::nanoseconds since_1970) {
    using namespace std::chrono;
    constexpr sys_seconds earliest = sys_days{year{0} / January / 1};
    constexpr sys_seconds latest = sys_days{year{9999} / December / 31} + hours{24} - seconds{1};
    const auto whole_ms = floor<milliseconds>(since_1970);
    const auto fraction = static_cast<int>((whole_ms - floor<seconds>(whole_ms)).count());
    const sys_seconds time = std::clamp(sys_seconds{floor<seconds>(since_1970)}, earliest, latest);
    const auto day = floor<days>(time);
    const year_month_day date{day};
    const hh_mm_ss clock{time - day};
    return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}.{:03}Z", static_cast<int>(date.year()),
                       static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()), clock.hours().count(),
                       clock.minutes().count(), clock.seconds().count(), fraction);
}

}  // namespace dekeyd::formats
