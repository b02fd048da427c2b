// Plays tests/core/timelines/*.txt, whose format README.md there explains, against Protection.
#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>
#include <stdexcept>

#include "timeline.hpp"

namespace {

using namespace timeline;

const std::filesystem::path folder = std::filesystem::path{DEKEYD_SOURCE_DIR} / "tests/core/timelines";

/// What is wrong with a line, or with what was decided at it.
struct Wrong : std::runtime_error {
    using std::runtime_error::runtime_error;
};
[[noreturn]] void wrong(const std::string& what, const std::string& expected) {
    throw Wrong{what + "; expected " + expected};
}

std::string trimmed(const std::string& text) {
    const auto begin = text.find_first_not_of(" \t");
    return begin == std::string::npos ? "" : text.substr(begin, text.find_last_not_of(" \t") - begin + 1);
}
/// The parts between separators, trimmed.
std::vector<std::string> parts(const std::string& text, char separator) {
    std::vector<std::string> result;
    std::istringstream in{text};
    for (std::string part; std::getline(in, part, separator);) result.push_back(trimmed(part));
    return result;
}
/// Takes `word` and the space after it off the beginning.
bool take(std::string& text, const std::string& word) {
    const bool alone = text == word, begins = text.rfind(word + ' ', 0) == 0;
    if (alone || begins) text = trimmed(text.substr(word.size()));
    return alone || begins;
}
std::string next_word(std::string& text) {
    const std::string word = text.substr(0, text.find(' '));
    text = trimmed(text.substr(word.size()));
    return word;
}
double number(const std::string& text, const std::string& unit) {
    std::istringstream in{text};
    double value = 0.0;
    std::string rest;
    if (!(in >> value)) wrong("'" + text + "'", "a number" + (unit.empty() ? "" : " in " + unit));
    std::getline(in, rest);
    if (trimmed(rest) != unit) wrong("'" + text + "'", unit.empty() ? "a bare number" : "the unit " + unit);
    return value;
}
Duration time_of(const std::string& text) {
    static const std::map<std::string, double> units{{"ms", 1e-3}, {"s", 1.0}, {"min", 60.0}, {"h", 3600.0}};
    const auto unit = units.find(text.substr(std::min(text.size(), text.find_last_of(' ') + 1)));
    if (unit == units.end()) wrong("'" + text + "'", "a time in ms, s, min or h");
    return std::chrono::round<std::chrono::microseconds>(
        std::chrono::duration<double>(number(text, unit->first) * unit->second));
}
template <class Table>
auto found(const Table& table, const std::string& word, const char* what) {
    const auto value = table.find(word);
    if (!value) wrong("'" + word + "'", what);
    return *value;
}

// ---- the station -----------------------------------------------------------------------------------------------

constexpr Words<ChannelKind::contact> kind_words{"temperature", "power", "voltage", "current", "speed", "contact"};
constexpr Duration period = 20ms;

QuantityIndex quantity(const Plan& plan, const std::string& id) {
    for (std::size_t i = 0; i < plan.quantity_count(); ++i) {
        if (describe(plan, static_cast<QuantityIndex>(i)).id == id) return static_cast<QuantityIndex>(i);
    }
    wrong("no quantity '" + id + "' in this station", "a channel's name, or vswr, gain, circulator-load, ...");
}

void add_channel(Plan& plan, std::string words) {
    const std::string id = next_word(words), kind = next_word(words);
    if (!take(words, "age")) wrong("'" + words + "'", "'age' and a time");
    Channel one = channel(id.c_str(), found(kind_words, kind, "temperature, power, voltage, current, speed, contact"),
                          0, 0, time_of(words));
    const auto index = static_cast<std::uint16_t>(plan.channels.size());
    const std::map<std::string, std::optional<std::uint16_t>*> roles{
        {"forward", &plan.roles.forward},   {"reflected", &plan.roles.reflected}, {"drive", &plan.roles.drive},
        {"supply", &plan.roles.supply},     {"current", &plan.roles.current},     {"fan", &plan.roles.fan},
        {"heatsink", &plan.roles.heatsink}, {"ambient", &plan.roles.ambient}};
    if (const auto role = roles.find(id); role != roles.end()) *role->second = index;
    if (one.kind == ChannelKind::power) {  // of one converter, and forward once more at the end
        one.power = chain();
        one.valid_low = 0.3;
        one.valid_high = 2.2;
        one.slot = static_cast<std::uint16_t>(plan.samplers.front() - 1);
        plan.rf.forward_again_slot = ++plan.samplers.front() - 1;
    } else {
        one.sampler = static_cast<std::uint16_t>(plan.samplers.size());
        plan.samplers.push_back(1);
    }
    plan.channels.push_back(one);
}

void add_limit(Plan& plan, const std::string& line) {
    const auto words = parts(line, ',');
    if (words.size() < 2) wrong("'" + line + "'", "limit \"name\" QUANTITY above LEVEL, clear LEVEL, ...");
    const auto quote = words[0].find('"', 1);
    if (words[0][0] != '"' || quote == std::string::npos) wrong("'" + words[0] + "'", "the limit's name in quotes");
    LimitPlan limit;
    limit.name = words[0].substr(1, quote - 1);
    limit.id = "limit-" + std::to_string(plan.limits.size());
    std::string rest = trimmed(words[0].substr(quote + 1));
    limit.watch = quantity(plan, next_word(rest));
    const std::string unit{symbol(describe(plan, limit.watch).unit)};
    const std::string direction = next_word(rest);
    if (direction != "above" && direction != "below") wrong("'" + direction + "'", "above or below");
    limit.direction = direction == "above" ? Direction::above : Direction::below;
    limit.trip = number(rest, unit);
    for (std::size_t i = 1; i < words.size(); ++i) {
        std::string word = words[i];
        if (word == "clear rf off")
            limit.clear_by = ClearBy::rf_off;
        else if (take(word, "clear"))
            limit.clear = number(word, unit);
        else if (take(word, "warn"))
            limit.warn = number(word, unit);
        else if (take(word, "qualify"))
            limit.qualify = time_of(word);
        else if (take(word, "hold-off"))
            limit.hold_off = time_of(word);
        else if (word == "automatic")
            limit.rearm = Rearm::automatic;
        else if (word == "latched")
            limit.rearm = Rearm::latched;
        else if (word == "while supplied")
            limit.while_supplied = true;
        else if (word == "provisional")
            limit.provisional = true;
        else if (word == "warns only")
            limit.trips = false;
        else if (take(word, "while")) {
            Gate gate;
            gate.quantity = quantity(plan, next_word(word));
            if (!take(word, "above")) wrong("'" + word + "'", "'above' and a level");
            gate.level = number(word, std::string{symbol(describe(plan, gate.quantity).unit)});
            limit.gate = gate;
        } else
            wrong("'" + words[i] + "'",
                  "clear, warn, qualify, hold-off, automatic, latched, while, provisional, warns only");
    }
    plan.limits.push_back(limit);
}

/// False where the line is none of a station's.
bool station_line(Plan& plan, std::string line) {
    if (take(line, "channel"))
        add_channel(plan, line);
    else if (take(line, "limit"))
        add_limit(plan, line);
    else if (take(line, "settling"))
        plan.interlock.settling = time_of(line);
    else if (take(line, "sensor hold-off"))
        plan.interlock.sensor_hold_off = time_of(line);
    else if (take(line, "deadline"))
        plan.interlock.guard_deadline = time_of(line);
    else if (take(line, "lockout trips"))
        plan.interlock.lockout_trips = static_cast<std::uint32_t>(number(line, ""));
    else if (take(line, "lockout window"))
        plan.interlock.lockout_window = time_of(line);
    else if (take(line, "minimum forward"))
        plan.rf.minimum_forward_w = number(line, "W");
    else if (take(line, "rf present"))
        plan.rf.rf_present_w = number(line, "W");
    else if (take(line, "drive absent"))
        plan.rf.drive_absent_w = number(line, "W");
    else if (take(line, "release time"))
        plan.rf.release_time = time_of(line);
    else if (take(line, "circulator load time"))
        plan.rf.circulator_load_time = time_of(line);
    else if (take(line, "contactor time")) {
        plan.supervision.contactor = true;
        plan.supervision.contactor_time = time_of(line);
    } else if (take(line, "commissioning"))
        plan.supervision.commissioning = time_of(line);
    else
        return false;
    return true;
}

// ---- a timeline ------------------------------------------------------------------------------------------------

struct Row {
    int line = 0;
    Duration at{};
    std::string measured, decided;
};

class Play {
public:
    explicit Play(const Plan& plan) : plan_{plan}, protection_{plan_, {}, false}, values_(plan.channels.size()) {}

    void row(const Row& row) {
        if (row.at % period != 0ns) wrong("a time between two steps", "a multiple of 20 ms");
        if (row.at < next_) wrong("a time that is not after the row before", "rows in the order of time");
        const bool first = next_ == 0ns;
        events_.clear();
        while (next_ < row.at) {
            if (first) wrong("a first row later than 0 s", "0.00 s");
            step();
            if (permit() != permitted_)
                wrong("at " + seconds_text(next_ - period) + " it went to " + word(permit()) + stands(),
                      word(permitted_) + " until this row");
        }
        for (const std::string& part : parts(row.measured, ',')) change(part);
        if (first) {
            for (std::size_t i = 0; i < plan_.channels.size(); ++i)
                if (!values_[i].set)
                    wrong(plan_.channels[i].id + " has no value", "one for each channel in the first row");
        }
        step();
        check(row.decided, first);
    }

private:
    struct Value {
        double value = 0.0;
        Fault fault = Fault::none;
        bool set = false;
    };
    static std::string word(bool permit) { return permit ? "permit" : "inhibit"; }
    static std::string seconds_text(Duration time) {
        std::ostringstream out;
        out << seconds(time) << " s";
        return out.str();
    }
    [[nodiscard]] bool permit() { return protection_.snapshot().permit; }
    [[nodiscard]] SourceIndex source(const std::string& name) const {
        for (std::size_t i = 0; i < source_count(plan_); ++i) {
            const SourceInfo info = describe_source(plan_, static_cast<SourceIndex>(i));
            if (info.name == name || info.id == name) return static_cast<SourceIndex>(i);
        }
        wrong("no cause \"" + name + "\"", "the name of a limit or a channel, or the id of a built-in cause");
    }
    [[nodiscard]] std::string stands() {
        std::string all = ", state " + std::string{text(protection_.snapshot().state)};
        for (std::size_t i = 0; i < source_count(plan_); ++i) {
            const Cause& cause = protection_.snapshot().causes[i];
            if (!cause.active) continue;
            all += ", \"" + std::string{describe_source(plan_, static_cast<SourceIndex>(i)).name} + '"';
            if (cause.latched) all += " latched";
        }
        return all;
    }

    void change(std::string part) {
        static const std::map<std::string, CommandKind> commands{{"commission", CommandKind::commission},
                                                                 {"end commissioning", CommandKind::end_commissioning},
                                                                 {"hold", CommandKind::hold},
                                                                 {"release", CommandKind::release},
                                                                 {"reset", CommandKind::reset}};
        if (part.empty() || part == "-") return;
        if (part == "line lies" || part == "line follows") {
            line_lies_ = part == "line lies";
            return;
        }
        if (take(part, "slept")) {
            slept_ = time_of(part);
            return;
        }
        const bool remote = take(part, "remote");
        if (const auto command = commands.find(part); command != commands.end()) {
            commands_.push_back({.kind = command->second, .origin = remote ? Origin::remote : Origin::local, .id = 1});
            return;
        }
        const std::string id = next_word(part);
        const auto channel = std::find_if(plan_.channels.begin(), plan_.channels.end(),
                                          [&](const Channel& one) { return one.id == id; });
        if (channel == plan_.channels.end())
            wrong("'" + id + "'", "a channel, or hold, release, reset, commission, slept, line lies, line follows");
        Value& value = values_[static_cast<std::size_t>(channel - plan_.channels.begin())];
        if (plan_.roles.forward == channel - plan_.channels.begin()) {
            if (take(part, "again")) {
                forward_again_w_ = number(part, "W");
                return;
            }
            forward_again_w_.reset();
        }
        value.set = true;
        value.fault = part == "absent"    ? Fault::absent
                      : part == "stale"   ? Fault::not_in_scan
                      : part == "garbled" ? Fault::garbled
                                          : Fault::none;
        if (value.fault != Fault::none) return;
        if (channel->kind == ChannelKind::contact && part != "closed" && part != "open")
            wrong("'" + part + "'", "closed or open");
        value.value = channel->kind == ChannelKind::contact ? (part == "closed" ? 1.0 : 0.0)
                                                            : number(part, std::string{symbol(unit_of(channel->kind))});
    }

    void step() {
        const Instant now = Instant{1000s} + next_;
        std::vector<std::vector<Sample>> samples;
        for (const std::uint16_t slots : plan_.samplers) samples.emplace_back(slots);
        for (std::size_t i = 0; i < plan_.channels.size(); ++i) {
            const Channel& channel = plan_.channels[i];
            const double native = channel.power ? volts(values_[i].value, *channel.power) : values_[i].value;
            const Sample sample{.value = native, .begun = now - 1ms, .fault = values_[i].fault};
            samples[channel.sampler][channel.slot] = sample;
            if (plan_.roles.forward != i) continue;
            Sample& again = samples[0][plan_.rf.forward_again_slot];
            again = sample;
            if (forward_again_w_) again.value = volts(*forward_again_w_, *channel.power);
        }
        std::vector<Scan> scans;
        for (const auto& one : samples) scans.push_back({static_cast<std::uint16_t>(scans.size()), one});
        const Snapshot& before = protection_.snapshot();
        protection_.step({.now = now,
                          .scans = scans,
                          .commands = commands_,
                          .line = {.known = true, .permit = before.permit != line_lies_},
                          .suspended = slept_,
                          .contactor = {.known = true, .permit = before.contactor_closed}});
        events_.insert(events_.end(), protection_.events().begin(), protection_.events().end());
        commands_.clear();
        slept_ = {};
        next_ += period;
    }

    void check(const std::string& decided, bool first) {
        std::string all = decided;
        std::replace(all.begin(), all.end(), ':', ',');
        bool said = false;
        for (const std::string& part : parts(all, ',')) {
            if (part == "permit" || part == "inhibit") {
                permitted_ = part == "permit";
                said = true;
            }
        }
        if (first && !said) wrong("a first row that says neither", "permit or inhibit");
        if (permit() != permitted_) wrong("found " + word(permit()) + stands(), word(permitted_));
        for (const std::string& part : parts(all, ',')) check_part(part);
    }

    void check_part(std::string part) {
        if (part.empty() || part == "-" || part == "permit" || part == "inhibit") return;
        const std::string whole = part;
        if (take(part, "state")) {
            if (text(protection_.snapshot().state) != part) wrong("found" + stands().substr(1), "state " + part);
            return;
        }
        const bool none = take(part, "no");
        bool holds = false;
        if (take(part, "event")) {
            const std::string kind = part.substr(0, part.find('"'));
            const auto about = named(part);
            bool known = false;
            for (std::size_t i = 0; i < event_kind_count; ++i)
                known = known || text(static_cast<EventKind>(i)) == trimmed(kind);
            if (!known) wrong("no kind of event '" + trimmed(kind) + "'", "tripped, latched, cleared, warning, ...");
            holds = std::any_of(events_.begin(), events_.end(), [&](const Event& event) {
                return text(event.kind) == trimmed(kind) && (!about || event.source == *about);
            });
        } else if (const auto cause = named(part)) {
            const std::string after = trimmed(part.substr(part.rfind('"') + 1));
            if (!after.empty() && after != "latched") wrong("'" + after + "'", "nothing or 'latched' after a cause");
            const Cause& standing = protection_.snapshot().causes[*cause];
            holds = standing.active && (after.empty() || standing.latched);
        } else {
            wrong("'" + whole + "'", "permit, inhibit, state, event, a cause in quotes, or 'no' before one");
        }
        if (holds != none) return;
        std::string seen = stands();
        for (const Event& event : events_) seen += ", event " + std::string{text(event.kind)};
        wrong("found " + word(permit()) + seen, whole);
    }
    [[nodiscard]] std::optional<SourceIndex> named(const std::string& text) const {
        const auto begin = text.find('"'), end = text.rfind('"');
        if (begin == end) return std::nullopt;
        return source(text.substr(begin + 1, end - begin - 1));
    }

    Plan plan_;
    Protection protection_;
    std::vector<Value> values_;
    std::optional<double> forward_again_w_;  ///< at the scan's end, where it isn't as before reflected
    std::vector<Command> commands_;
    std::vector<Event> events_;  ///< since the row before
    Duration next_{}, slept_{};
    bool line_lies_ = false, permitted_ = false;
};

/// A fault of the text or of what was decided: "file:line: ..."; empty where all is as it says.
std::string played(std::istream& in, const std::string& name, Plan plan = {}, bool station = false) {
    std::unique_ptr<Play> play;
    int line = 0, rows = 0;
    bool shows = false;
    if (plan.samplers.empty()) plan.samplers = {1};
    try {
        for (std::string text; std::getline(in, text);) {
            ++line;
            text = trimmed(text);
            if (text.empty() || text[0] == '#') continue;
            if (take(text, "shows:")) {
                shows = true;
            } else if (!shows) {
                wrong("no heading", "'shows:' and one sentence");
            } else if (take(text, "station")) {
                std::ifstream file{folder / (text + ".station")};
                if (!file) wrong("no station '" + text + "'", "the name of a *.station in this folder");
                int at = 0;
                for (std::string row; std::getline(file, row);) {
                    ++at;
                    row = trimmed(row);
                    if (row.empty() || row[0] == '#') continue;
                    if (!station_line(plan, row)) wrong(text + ".station:" + std::to_string(at), "a line of a station");
                }
            } else if (text.find('|') != std::string::npos) {
                const auto columns = parts(text, '|');
                if (columns.size() != 3)
                    wrong("a row of another form", "time | what is measured | what must be decided");
                if (!play) play = std::make_unique<Play>(plan);
                play->row({.line = line, .at = time_of(columns[0]), .measured = columns[1], .decided = columns[2]});
                ++rows;
            } else if (play || !station_line(plan, text)) {
                wrong("'" + text + "'", "a row 'time | measured | decided', or before all rows a line of the station");
            }
        }
        if (!station && rows < 2) wrong("fewer than two rows", "a timeline");
    } catch (const std::exception& fault) {
        return name + ':' + std::to_string(line) + ": " + fault.what();
    }
    return {};
}

std::string played_text(const std::string& text) {
    std::istringstream in{text};
    return played(in, "text");
}

}  // namespace

TEST_CASE("each timeline is decided as it says") {
    std::vector<std::filesystem::path> files;
    for (const auto& entry : std::filesystem::directory_iterator{folder})
        if (entry.path().extension() == ".txt") files.push_back(entry.path());
    std::sort(files.begin(), files.end());
    CHECK(files.size() >= 15);
    for (const auto& path : files) {
        std::ifstream in{path};
        const std::string fault = played(in, "tests/core/timelines/" + path.filename().string());
        CHECK_MESSAGE(fault.empty(), fault);
    }
}

TEST_CASE("a timeline that is wrong says where, what was found and what was expected") {
    const std::string head =
        "shows: x\nsettling 100 ms\ndeadline 1 s\nchannel lid contact age 1 s\n"
        "limit \"Lid\" lid below 0.5, clear 0.7, automatic\n0 s | lid closed | inhibit\n";
    CHECK(played_text(head + "0.1 s | | permit\n").empty());
    CHECK(played_text(head + "0.2 s | | permit\n") ==
          "text:7: at 0.1 s it went to permit, state permitted; expected inhibit until this row");
    CHECK(played_text(head + "0.1 s | lid open | permit\n").find("text:7: found inhibit") == 0);
    CHECK(played_text(head + "0.1 s | | permit, \"Lid\"\n").find("expected \"Lid\"") != std::string::npos);
    CHECK(played_text(head + "0.1 s | | permit, no event permitted\n").find("expected no event") != std::string::npos);
    CHECK(played_text(head + "0.11 s | | permit\n").find("expected a multiple of 20 ms") != std::string::npos);
    CHECK(played_text(head + "0.1 | | permit\n").find("expected a time in ms") != std::string::npos);
    CHECK(played_text(head + "0.1 s | lid ajar | permit\n").find("expected closed or open") != std::string::npos);
    CHECK(played_text(head + "0.1 s | lib open | permit\n").find("text:7: 'lib'; expected a channel") == 0);
    CHECK(played_text(head + "0.1 s | permit\n").find("expected time | what") != std::string::npos);
    CHECK(played_text(head + "0.1 s | | permit, may transmit\n").find("expected permit, inhibit") != std::string::npos);
}
