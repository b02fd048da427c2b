// The watch screen as pure text: may it transmit, and how far is each thing from its limit?
#pragma once

#include <cstddef>
#include <deque>
#include <optional>
#include <string>
#include <vector>

#include "dekeyctl/status.hpp"

namespace dekeyd::ctl {

/// What a piece of text means; a colour only repeats what the words say.
enum class Tone { plain, strong, good, caution, danger, banner_permit, banner_inhibit, banner_doubt };

struct Span {
    std::string text;
    Tone tone = Tone::plain;
};
using Line = std::vector<Span>;

struct Look {
    std::size_t width = 80, height = 24;
    bool colour = false;  ///< otherwise bold and reverse alone
    bool utf8 = true;     ///< otherwise ASCII signs
};

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

/// The bar of one quantity: `room` columns holding the value between its levels. Marks: T trip, w warn, c clear.
Line bar(const Quantity& quantity, const std::vector<const Limit*>& limits, std::size_t room);

/// One line for each quantity that a limit watches, in the order of the limits: name, value, bar, what is left.
std::vector<Line> limit_lines(const Status& status, const Look& look);

/// "nearest: heatsink, 28.7 °C to the trip"; empty when nothing is measured.
std::string nearest_words(const Status& status);

/// One cause in words: what it is, and what it still needs to leave.
/// In at most `room` columns: the name is cut first.
std::string cause_words(const Status& status, const Cause& cause, std::size_t room = static_cast<std::size_t>(-1));

/// The other values, those that no limit watches, as short "name value" texts.
std::vector<std::string> other_values(const Status& status);

/// The guard's, the broker's and the line's health in one line.
std::string health_words(const Status& status);
/// That latches and holds wait for the storage; empty: they don't.
std::string unsaved_words(const Status& status);
/// What the daemon kept of the past since its start, what waits for the storage, and what was lost. Empty: not told.
std::string kept_words(const Status& status);
/// Something of the past is lost, or can't be written.
bool kept_is_amiss(const Status& status) noexcept;

/// At most look.height lines, each of at most look.width columns.
std::vector<Line> render_watch(const Picture& picture, const Look& look);

/// The lines as text, each with its newline, with ANSI attributes unless `bare`.
std::string to_text(const std::vector<Line>& lines, const Look& look, bool bare);
/// The lines as one frame over the whole terminal: from the top left corner, clearing what was there.
std::string to_frame(const std::vector<Line>& lines, const Look& look);

}  // namespace dekeyd::ctl
