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
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/look_back/cooling_history.hpp"
#include "dekeyctl/look_back/history_commands.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"
#include "plan/number_text.hpp"
#include "plan/quantities.hpp"
#include "store/captures/reader.hpp"
#include "store/captures/store.hpp"
#include "store/checked_rows.hpp"
#include "store/transmission_log.hpp"

namespace dekeyd::ctl {
namespace {

using OrderedJson = nlohmann::ordered_json;

const std::string_view thermal_resistance_id =
    core::derived_rules[static_cast<std::size_t>(core::Derived::thermal_resistance)].id;

void print(const std::string& text) {
    say(stdout, text);
}

std::string why_unreadable(int error) {
    const std::string words = std::strerror(error);
    return error == EACCES || error == EPERM ? words + "; expected root, or a member of the group 'dekeyd'" : words;
}

/// The log's files in order of time; `kind` is what their names begin with.
std::vector<std::string> files(const LogOptions& options, const std::string& kind, bool& readable) {
    std::vector<std::string> paths;
    const std::string folder = options.state_directory + "/log";
    std::error_code error;
    for (std::filesystem::directory_iterator it{folder, error}, end; !error && it != end; it.increment(error)) {
        const std::string name = it->path().filename().string();
        const bool wanted = options.month.empty() || name == kind + options.month + ".csv";
        if (name.starts_with(kind) && name.ends_with(".csv") && wanted) paths.push_back(it->path().string());
    }
    if (error && error.value() != ENOENT) {
        fmt::print(stderr, "dekeyctl: can't read {}: {}\n", folder, why_unreadable(error.value()));
        readable = false;
    }
    std::sort(paths.begin(), paths.end());
    return paths;
}

/// All rows; complains of files that can't be read and of damaged rows.
std::vector<formats::Row> rows_in(const std::vector<std::string>& paths, bool& readable) {
    std::vector<formats::Row> all;
    for (const std::string& path : paths) {
        formats::Rows rows = formats::read_rows(path);
        if (rows.error != 0) {
            fmt::print(stderr, "dekeyctl: can't read {}: {}\n", path, why_unreadable(rows.error));
            readable = false;
        }
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

std::string cell(const std::optional<double>& value, core::Unit unit) {
    return value ? formats::to_words(*value, unit) : std::string{"-"};
}

struct Transmissions {
    std::vector<formats::Transmission> all;
    double energy_wh = 0.0, length_s = 0.0;
};

Transmissions transmissions_in(const std::vector<formats::Row>& rows) {
    Transmissions found;
    for (const formats::Row& row : rows) {
        auto t = formats::transmission_from_row(row.text);
        if (!t) continue;
        found.energy_wh += t->energy_wh;
        found.length_s += t->length_s;
        found.all.push_back(*std::move(t));
    }
    return found;
}

OrderedJson to_json(const Transmissions& found) {
    OrderedJson list = OrderedJson::array();
    for (const formats::Transmission& t : found.all) list.push_back(formats::to_json(t));
    return {{"transmissions", std::move(list)}, {"length_s", found.length_s}, {"energy_wh", found.energy_wh}};
}

void print_transmissions(const Transmissions& found) {
    const bool narrow = look_of(stdout).width < 100;
    const auto row = [&](const std::string& ended, const auto&... cells) {
        const std::string figures = fmt::format("{:<20}{:>12}{:>8}{:>8}{:>7}{:>9}{:>10}", cells...);
        print(narrow && !ended.empty() ? figures + "\n    " + ended : figures + "  " + ended);
    };
    row(narrow ? "" : "eff.   ended", "start (UTC)", "length", "mean W", "peak W", "VSWR", "max. °C", "energy Wh");
    bool doubtful = false;
    for (const formats::Transmission& t : found.all) {
        const std::string start = t.start_utc.substr(0, 19) + (t.synchronised ? " " : "?");
        const std::string efficiency =
            t.efficiency_percent ? formats::with_unit(*t.efficiency_percent, core::Unit::percent) : "-";
        row(narrow ? fmt::format("efficiency {}, {}", efficiency, t.ended)
                   : fmt::format("{:<5}  {}", efficiency, t.ended),
            start, time_words(t.length_s), cell(t.mean_forward_w, core::Unit::watt),
            cell(t.peak_forward_w, core::Unit::watt), cell(t.worst_vswr, core::Unit::none),
            cell(t.hottest_c, core::Unit::celsius), fmt::format("{:.2f}", t.energy_wh));
        doubtful = doubtful || !t.synchronised;
    }
    print(fmt::format("{}, {} in all, {:.2f} Wh of forward power", counted(found.all.size(), "transmission"),
                      time_words(found.length_s), found.energy_wh));
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

struct HourFigure {
    std::string id, unit, least, mean, greatest;  ///< figures as they were written
};
struct Hour {
    std::string hour;
    std::vector<HourFigure> figures;
};

// Columns come in threes: "heatsink min (°C)", "heatsink mean (°C)", "heatsink max (°C)".
std::vector<Hour> hours_in(const std::vector<formats::Row>& rows) {
    std::vector<Hour> hours;
    for (const formats::Row& row : rows) {
        const std::vector<std::string> names = cells_of(row.columns);
        const std::vector<std::string> cells = cells_of(row.text);
        Hour hour{cells.front(), {}};
        for (std::size_t i = 1; i + 2 < cells.size() && i + 2 < names.size(); i += 3) {
            if (cells[i].empty()) continue;
            const std::string& name = names[i];
            const std::size_t open = name.find('('), close = name.rfind(')');
            const bool has_unit = open != std::string::npos && close != std::string::npos && close > open;
            hour.figures.push_back({name.substr(0, name.find(' ')),
                                    has_unit ? name.substr(open + 1, close - open - 1) : "", cells[i], cells[i + 1],
                                    cells[i + 2]});
        }
        hours.push_back(std::move(hour));
    }
    return hours;
}

std::optional<CoolingHistory> cooling_in(const std::vector<Hour>& hours) {
    std::vector<double> k_per_w;
    for (const Hour& hour : hours) {
        for (const HourFigure& figure : hour.figures) {
            const auto mean = figure.id == thermal_resistance_id ? core::to_number<double>(figure.mean) : std::nullopt;
            if (mean) k_per_w.push_back(*mean);
        }
    }
    return cooling_history(k_per_w);
}

OrderedJson to_json(const std::vector<Hour>& hours) {
    const auto number = [](const std::string& text) { return OrderedJson::parse(text, nullptr, false); };
    OrderedJson list = OrderedJson::array();
    for (const Hour& hour : hours) {
        OrderedJson figures = OrderedJson::object();
        for (const HourFigure& f : hour.figures)
            figures[f.id] = {{"unit", f.unit},
                             {"least", number(f.least)},
                             {"mean", number(f.mean)},
                             {"greatest", number(f.greatest)}};
        list.push_back({{"hour", hour.hour}, {"quantities", std::move(figures)}});
    }
    OrderedJson json{{"hours", std::move(list)}};
    if (const auto cooling = cooling_in(hours))
        json["cooling"] = {{"first_k_per_w", cooling->first_k_per_w},
                           {"last_k_per_w", cooling->last_k_per_w},
                           {"hours", cooling->hours},
                           {"change_percent", cooling->change_percent()},
                           {"text", sentence(*cooling)}};
    return json;
}

// A line for each quantity and hour would be long: as many on a line as there is room for.
void print_hours(const std::vector<Hour>& hours) {
    const std::size_t width = look_of(stdout).width;
    for (const Hour& hour : hours) {
        std::string line = pad_right(hour.hour, 14);
        for (const HourFigure& f : hour.figures) {
            const std::string own =
                f.id + ' ' + f.least + ".." + f.greatest + " (" + f.mean + ')' + (f.unit.empty() ? "" : ' ' + f.unit);
            if (columns(line) + 2 + columns(own) > width) {
                print(line);
                line = std::string(14, ' ');
            }
            line += "  " + own;
        }
        print(line);
    }
    print(fmt::format("{}, each written when it is over; each quantity: least..greatest (mean)",
                      counted(hours.size(), "hour")));
    if (const auto cooling = cooling_in(hours)) print(sentence(*cooling));
}

int print_captures(const LogOptions& options) {
    const std::string folder = options.state_directory + "/captures";
    std::error_code error;
    const std::vector<std::string> paths = formats::captures_in(folder, error);
    // A count of what can't be read would read as if nothing had tripped.
    if (error) {
        fmt::print(stderr, "dekeyctl: can't read {}: {}\n", folder, why_unreadable(error.value()));
        return exit_refused;
    }
    bool readable = true;
    OrderedJson list = OrderedJson::array();
    for (const std::string& path : paths) {
        std::ifstream in{path, std::ios::binary};
        const int why = in ? 0 : errno;
        const formats::CaptureReader reader{in};
        const formats::CaptureHeader& header = reader.header();
        const std::string trouble = why != 0 ? "can't be read: " + why_unreadable(why) : reader.trouble();
        readable = readable && why == 0;
        list.push_back({{"file", path}, {"at", header.origin_wall}, {"cause", header.cause}, {"trouble", trouble}});
        if (!options.json)
            print(fmt::format("{}  {}", path, trouble.empty() ? header.origin_wall + "  " + header.cause : trouble));
    }
    if (options.json)
        print_json({{"captures", std::move(list)}});
    else
        print(fmt::format("{}; 'dekeyctl replay FILE' decides one again", counted(paths.size(), "capture")));
    return readable ? exit_done : exit_refused;
}

}  // namespace

int run_log(const LogOptions& options) {
    std::error_code error;
    const bool there = std::filesystem::is_directory(options.state_directory, error);
    if (error.value() == EACCES || error.value() == EPERM) {
        fmt::print(stderr, "dekeyctl: can't read {}: {}\n", options.state_directory, why_unreadable(error.value()));
        return exit_refused;
    }
    if (!there) {
        fmt::print(stderr, "dekeyctl: {} is no folder; expected dekeyd's state directory (paths.state), see --state\n",
                   options.state_directory);
        return exit_refused;
    }
    if (options.captures) return print_captures(options);
    bool readable = true;
    const auto rows = rows_in(files(options, options.hours ? "hours-" : "transmissions-", readable), readable);
    // A count of what can't be read would read as if nothing had happened.
    if (!readable && rows.empty()) return exit_refused;
    if (options.csv) {
        print_csv(rows);
    } else if (options.hours) {
        const auto hours = hours_in(rows);
        options.json ? print_json(to_json(hours)) : print_hours(hours);
    } else {
        const auto transmissions = transmissions_in(rows);
        options.json ? print_json(to_json(transmissions)) : print_transmissions(transmissions);
    }
    return readable ? exit_done : exit_refused;
}

}  // namespace dekeyd::ctl
