// The past, thinned: bins of one length in pieces of some bins, each piece one message that a page reads by itself.
// Pure: time and values come in as arguments.
//
// A piece is one JSON object: from (its first bin's begin, in seconds since 1970), step (a bin's length in seconds),
// n (its bins so far) and series, by the quantity's id: d (decimals), m (means in units of 10^-d, each as the
// difference from the known one before; null where nothing was known in the bin; zeros at its end are left out), and l
// and h (how far the smallest lies below the mean, and the largest above; zeros at the end are left out, and both where
// there is nothing else). A quantity of which nothing was known in the piece is left out.
#pragma once

#include <array>
#include <cstdint>
#include <limits>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::formats {

/// How fine, and for how long.
struct HistoryLevel {
    std::string_view id;
    std::int64_t bin_s;    ///< length of a bin
    std::int64_t bins;     ///< of a piece
    std::int64_t pieces;   ///< that are kept: each has its place, and takes that of the one before it
    std::int64_t again_s;  ///< the piece that is being gathered is sent each time that this has passed
};
inline constexpr std::array history_levels{HistoryLevel{"hour", 1, 60, 60, 15}, HistoryLevel{"day", 30, 120, 24, 300},
                                           HistoryLevel{"month", 3600, 24, 31, 3600}};
/// No piece is larger; what an earlier life left at the broker is read so far.
inline constexpr std::size_t largest_piece = 32UL * 1024;

struct HistoryPiece {
    std::int64_t place = 0;
    std::string text{};
};

class PieceGatherer {
public:
    static constexpr double unknown = std::numeric_limits<double>::quiet_NaN();

    /// `ids`: of the quantities, in the order of their values.
    PieceGatherer(const HistoryLevel& level, std::vector<std::string> ids);

    /// A look at all values; what is no finite number wasn't known. `at_s`: by the wall clock. Where that is set
    /// back, what was gathered of later times is forgotten.
    void add(double at_s, std::span<const double> values);
    /// A piece that was left by an earlier life: of the one that is being gathered, it fills what isn't known yet.
    void recall(std::string_view text);
    /// The place of the piece that is being gathered; none before the first look.
    [[nodiscard]] std::optional<std::int64_t> place() const noexcept;

    /// What is to be sent now: a piece that has just ended, or the one that is being gathered where its time has come.
    std::optional<HistoryPiece> due();

private:
    /// Of one quantity; none: not known.
    struct Bin {
        double low = 0.0, high = 0.0, sum = 0.0;
        std::uint32_t count = 0;
        [[nodiscard]] double mean() const noexcept { return sum / count; }
    };
    void begin(std::int64_t piece);
    [[nodiscard]] std::string text() const;
    [[nodiscard]] Bin& bin(std::size_t quantity, std::int64_t number) {
        return bins_[quantity * static_cast<std::size_t>(level_.bins) + static_cast<std::size_t>(number)];
    }

    HistoryLevel level_;
    std::vector<std::string> ids_;
    std::vector<Bin> bins_;    ///< of each quantity, in turn
    std::int64_t piece_ = -1;  ///< counted from 1970; -1: none yet
    std::int64_t so_far_ = 0;  ///< bins of it that are begun
    std::int64_t told_ = 0;    ///< when, in `again_s`
    std::int64_t now_ = 0;     ///< in `again_s`
    std::optional<HistoryPiece> ended_ = std::nullopt;
    std::string last_{};  ///< the last that ended
};

}  // namespace dekeyd::formats
