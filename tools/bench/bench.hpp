// The amplifier with its faults, its line and its clock: what a command changes and what `status` tells.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "bench/amplifier.hpp"
#include "bench/faults.hpp"

namespace bench {

/// Something that happened, for the report.
struct Event {
    std::int64_t at_ns = 0;  ///< on the clock that the bench was begun with
    std::string kind;        ///< "command", "line permits", "line inhibits", "RF came", "RF gone", "mark"
    std::string text;
};

/// The true quantities by name, in the order in which they are printed.
std::vector<std::pair<std::string_view, double>> quantities(const Truth& truth);
/// One line of JSON, no newline.
std::string json_of(const Event& event);

class Bench {
public:
    /// `epoch_ns`: what the clock says as the model begins.
    explicit Bench(std::uint64_t seed = 1, std::int64_t epoch_ns = 0, const Parameters& parameters = {});

    void advance_to(std::int64_t clock_ns);  ///< earlier than before: nothing
    void line(bool permit);                  ///< what the line says from now on
    /// Carries out one command line (see command_help); "" when done, else what was wrong and what was expected.
    std::string command(std::string_view text);

    [[nodiscard]] std::string status() const;  ///< one line of JSON, no newline
    /// The answer to one line on the control socket: a command's or status's, one line of JSON, no newline.
    std::string answer(std::string_view text);
    std::vector<Event> take_events();  ///< those since the last call

    [[nodiscard]] std::int64_t now_ns() const noexcept { return epoch_ns_ + advanced_ns_; }
    [[nodiscard]] const Faults& faults() const noexcept { return faults_; }  ///< as commanded
    /// As they show at this moment: RF noise comes and goes with RF, and from reading to reading.
    [[nodiscard]] Faults showing() const noexcept;
    Amplifier& amplifier() noexcept { return amplifier_; }

private:
    /// A level whose first passing is stamped: how a creeping fault gets a beginning.
    struct Mark {
        std::string quantity;
        bool above = true;
        double level = 0.0;
        bool armed = false;
        std::int64_t at_ns = -1;
    };
    void note(std::int64_t at_ns, std::string kind, std::string text);
    void look();
    // Each carries out one command: empty, or what was wrong and what was expected.
    using Words = std::vector<std::string_view>;
    std::string obey(const Words& words, std::string_view text);
    std::string set_amplifier(const Words& words);
    std::string set_contact(const Words& words, std::string_view text);
    std::string set_sensor(const Words& words, std::string_view text);
    std::string set_chip(const Words& words, std::string_view text);
    std::string set_detector(const Words& words, std::string_view text);
    std::string set_mark(const Words& words);

    std::uint64_t seed_;
    std::int64_t epoch_ns_, advanced_ns_ = 0;
    Amplifier amplifier_;
    Faults faults_;
    Mark mark_;
    std::vector<Event> events_;
    std::int64_t last_line_change_ns_ = -1, last_inhibit_ns_ = -1, last_command_ns_ = -1;
    std::int64_t seen_rf_came_ns_ = -1, seen_rf_gone_ns_ = -1;
    int inhibits_ = 0;
};

/// Every command with its meaning, for --help.
std::string_view command_help() noexcept;

}  // namespace bench
