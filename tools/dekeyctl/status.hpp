// What the daemon says over the control socket, as plain values.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace dekeyd::ctl {

struct Quantity {
    std::string id{}, name{}, unit{};
    std::optional<double> value{};  ///< none where it isn't measured
    double low = 0.0, high = 0.0;   ///< the true value lies between (k = 2)
    std::string health{}, fault{};
    std::optional<double> age_s{};
};

struct Limit {
    std::string id{}, name{};
    std::string watch{};  ///< id of the quantity
    std::string unit{};
    bool above = true;  ///< trips above; otherwise below
    double trip = 0.0;
    std::optional<double> clear{}, warn{};
    bool clears_by_level = true;  ///< otherwise by RF being off
    double qualify_s = 0.0, hold_off_s = 0.0;
    bool latches = false;
    std::string condition{};
    bool active = false;       ///< it is one of the causes
    bool warning = false;      ///< its warning stands
    bool trips = true;         ///< otherwise its level is a warning and no more
    bool provisional = false;  ///< watches but while commissioning
    std::string rests{};       ///< why it doesn't watch now; empty: it does
};

struct Cause {
    std::string id{}, name{}, kind{}, condition{};
    bool latched = false;
    bool first = false;  ///< it took the permit away
    double since_s = 0.0;
    double hold_off_left_s = 0.0;
};

/// What a sensor has done since start, with RF present and absent apart.
struct ChannelCount {
    std::string id{}, last_fault{};
    std::uint64_t good_keyed = 0, good_idle = 0, faults_keyed = 0, faults_idle = 0;
    bool frozen = false;  ///< its reading hasn't changed by a bit for longer than configured
};

/// What the daemon kept of the past since its start.
struct Kept {
    std::uint64_t captures = 0;       ///< of trips, on the disk
    std::uint64_t waiting = 0;        ///< captures and rows that the storage hasn't taken yet
    std::uint64_t dropped = 0;        ///< those given up
    std::uint64_t failed_writes = 0;  ///< tries
    std::uint64_t lost_steps = 0;     ///< decisions that no capture can show
};

struct Status {
    std::string id{}, name{}, version{};
    double now_s = 0.0;
    std::uint64_t sequence = 0;
    bool permit = false;
    std::string state{}, reason{}, line{};
    std::string advice{};                          ///< how far to back off, in a sentence; empty: not at all
    std::optional<double> commissioning_left_s{};  ///< none: nobody is commissioning
    std::vector<Cause> causes{};
    std::vector<Quantity> quantities{};
    std::vector<Limit> limits{};
    std::vector<ChannelCount> channels{};
    std::map<std::string, std::string> laws{};  ///< of each power, by its sensor: what its way from volts to watts is
    std::uint64_t overruns = 0, events_dropped = 0;
    bool realtime = false, memory_locked = false;
    std::optional<bool> broker_connected{};  ///< none: no broker configured
    std::optional<Kept> kept{};
    bool first_start = false, unreadable = false, locked_out = false, held_locally = false, held_remotely = false;
    double settling_left_s = 0.0;
    std::optional<double> unsaved_s{};  ///< for how long the newest latches and holds have waited for the storage
};

struct EventLine {
    std::uint64_t number = 0;
    double at_s = 0.0;
    std::string wall{};  ///< ISO 8601, UTC
    bool synchronised = false;
    std::string kind{}, severity{}, source{}, state{}, text{};
};

/// One line of an answer or of the watch stream. Exactly the members that the line had are set.
struct Message {
    std::optional<Status> status{};
    std::optional<EventLine> event{};
    std::optional<bool> ok{};
    std::string outcome{}, text{};
    bool saved = true;    ///< false: what was done may be forgotten by a restart
    std::string error{};  ///< the daemon's, or what is wrong with the line itself
};

/// Never throws. A key that is missing is empty; a status without a boolean `permit` is no status, since nothing may
/// be concluded from it. Every string is made printable.
Message read_message(std::string_view line);

/// "forward: faults 4 % while keyed, none otherwise: suspect RF on this cable", for each sensor where the difference
/// is more than chance; and how often each other sensor failed, if at all; and which is
/// frozen.
std::vector<std::string> sensor_notes(const Status& status);

}  // namespace dekeyd::ctl
