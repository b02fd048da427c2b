// The watch screen as pure text: may it transmit, and how far is each thing from its limit?
#pragma once

#include <deque>
#include <optional>
#include <string>
#include <vector>

#include "dekeyctl/lines.hpp"
#include "dekeyctl/status.hpp"

namespace dekeyd::ctl {

/// Everything the screen shows.
struct Picture {
    std::optional<Status> status;    ///< the newest, none before the first
    double status_age_s = 0.0;       ///< since it came
    std::string trouble;             ///< why there is no connection; empty while there is one
    std::deque<EventLine> events;    ///< oldest first
    std::vector<std::string> notes;  ///< lines from elsewhere, oldest first
};

/// News older than this is no news: the screen says so and shows no permit.
inline constexpr double news_is_old_s = 2.0;

/// At most look.height lines, each of at most look.width columns.
std::vector<Line> render_watch(const Picture& picture, const Look& look);

}  // namespace dekeyd::ctl
