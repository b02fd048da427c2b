#include <fmt/format.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <system_error>
#include <vector>

#include "dekeyctl/commands.hpp"
#include "dekeyctl/history_commands.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "formats/capture.hpp"
#include "formats/capture_store.hpp"
#include "formats/checked_rows.hpp"
#include "formats/transmission_log.hpp"

namespace dekeyd::ctl {
namespace {

void print(const std::string& text) {
    fmt::print("{}\n", look_of(stdout).utf8 ? printable(text) : to_ascii(printable(text)));
}

/// The log's files in order of time; `kind` is what their names begin with.
std::vector<std::string> files(const LogOptions& options, const std::string& kind) {
    std::vector<std::string> paths;
    const std::string folder = options.state_directory + "/log";
    std::error_code error;
    for (std::filesystem::directory_iterator it{folder, error}, end; !error && it != end; it.increment(error)) {
        const std::string name = it->path().filename().string();
        const bool wanted = options.month.empty() || name == kind + options.month + ".csv";
        if (name.starts_with(kind) && name.ends_with(".csv") && wanted) paths.push_back(it->path().string());
    }
    if (error && error.value() != ENOENT) fmt::print(stderr, "dekeyctl: {}: {}\n", folder, error.message());
    std::sort(paths.begin(), paths.end());
    return paths;
}

/// All rows; complains of files that can't be read and of damaged rows.
std::vector<formats::Row> rows_in(const std::vector<std::string>& paths) {
    std::vector<formats::Row> all;
    for (const std::string& path : paths) {
        formats::Rows rows = formats::read_rows(path);
        if (rows.error != 0) fmt::print(stderr, "dekeyctl: can't read {}: {}\n", path, std::strerror(rows.error));
        if (rows.damaged > 0) {
            fmt::print(stderr, "dekeyctl: {}: {} damaged rows were left out\n", path, rows.damaged);
        }
        all.insert(all.end(), std::make_move_iterator(rows.rows.begin()), std::make_move_iterator(rows.rows.end()));
    }
    return all;
}

void print_csv(const std::vector<formats::Row>& rows) {
    std::string columns;
    for (const formats::Row& row : rows) {
        if (row.columns != columns) fmt::print("{}\n", printable(row.columns));
        columns = row.columns;
        fmt::print("{}\n", printable(row.text));
    }
}

std::string cell(const std::optional<double>& value, std::string_view unit) {
    return value ? figure(*value, unit) : std::string{"-"};
}

void print_transmissions(const std::vector<formats::Row>& rows) {
    print(fmt::format("{:<20} {:>12} {:>8} {:>8} {:>6} {:>8} {:>9} {:>6}  {}", "start (UTC)", "length", "mean W",
                      "peak W", "VSWR", "max. °C", "energy Wh", "eff. %", "ended"));
    double energy_wh = 0.0, length_s = 0.0;
    bool doubtful = false;
    std::size_t count = 0;
    for (const formats::Row& row : rows) {
        const auto t = formats::transmission_from_row(row.text);
        if (!t) continue;
        const std::string start = t->start_utc.substr(0, 19) + (t->synchronised ? " " : "?");
        print(fmt::format("{:<20} {:>12} {:>8} {:>8} {:>6} {:>8} {:>9.2f} {:>6}  {}", start, time_words(t->length_s),
                          cell(t->mean_forward_w, "W"), cell(t->peak_forward_w, "W"), cell(t->worst_vswr, ""),
                          cell(t->hottest_c, "°C"), t->energy_wh, cell(t->efficiency_percent, "%"), t->ended));
        doubtful = doubtful || !t->synchronised;
        energy_wh += t->energy_wh;
        length_s += t->length_s;
        ++count;
    }
    print(fmt::format("{}, {} in all, {:.2f} Wh of forward power", counted(count, "transmission"), time_words(length_s),
                      energy_wh));
    if (doubtful) print("?: the clock wasn't synchronised then");
}

std::vector<std::string> cells_of(std::string_view row) {
    std::vector<std::string> cells;
    for (;;) {
        const std::size_t comma = row.find(',');
        cells.emplace_back(row.substr(0, comma));
        if (comma == std::string_view::npos) return cells;
        row.remove_prefix(comma + 1);
    }
}

// A line for each quantity and hour would be long: one line an hour, "quantity min..max (mean)".
void print_hours(const std::vector<formats::Row>& rows) {
    for (const formats::Row& row : rows) {
        const std::vector<std::string> names = cells_of(row.columns);
        const std::vector<std::string> cells = cells_of(row.text);
        std::string text = cells.front() + "  ";
        for (std::size_t i = 1; i + 2 < cells.size() && i + 2 < names.size(); i += 3) {
            if (cells[i].empty()) continue;
            const std::string name = names[i].substr(0, names[i].find(' '));
            text += fmt::format("{} {}..{} ({})  ", name, cells[i], cells[i + 2], cells[i + 1]);
        }
        print(text);
    }
    print(fmt::format("{}, each written when it is over; each quantity: least..greatest (mean)",
                      counted(rows.size(), "hour")));
}

void print_captures(const LogOptions& options) {
    const std::vector<std::string> paths = formats::captures_in(options.state_directory + "/captures");
    for (const std::string& path : paths) {
        std::ifstream in{path, std::ios::binary};
        const formats::CaptureReader reader{in};
        print(fmt::format(
            "{}  {}", path,
            reader.trouble().empty() ? reader.header().origin_wall + "  " + reader.header().cause : reader.trouble()));
    }
    print(fmt::format("{}; 'dekeyctl replay FILE' decides one again", counted(paths.size(), "capture")));
}

}  // namespace

int run_log(const LogOptions& options) {
    std::error_code error;
    if (!std::filesystem::is_directory(options.state_directory, error)) {
        fmt::print(stderr, "dekeyctl: {} is no folder; expected dekeyd's state directory (paths.state), see --state\n",
                   options.state_directory);
        return exit_refused;
    }
    if (options.captures) {
        print_captures(options);
        return exit_done;
    }
    const auto rows = rows_in(files(options, options.hours ? "hours-" : "transmissions-"));
    if (options.csv) {
        print_csv(rows);
    } else if (options.hours) {
        print_hours(rows);
    } else {
        print_transmissions(rows);
    }
    return exit_done;
}

}  // namespace dekeyd::ctl
