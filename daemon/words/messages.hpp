// The daemon's messages, as values: its status by the control socket, its events by that and by MQTT. Each
// field is named once, here; those of MQTT alone in words/mqtt_messages.hpp.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "words/fields.hpp"

namespace dekeyd::formats {

struct QuantityStatus {
    std::string id{}, name{}, unit{};
    std::optional<std::string> stage{};   ///< id of the stage that it belongs to; none: the amplifier, or the station
    std::optional<double> value{};        ///< none where it isn't measured
    std::optional<double> low{}, high{};  ///< the true value lies between (k = 2)
    std::string health{}, fault{};
    std::optional<double> age_s{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("id", self.id);
        visit("name", self.name);
        visit("unit", self.unit);
        visit("value", self.value);
        visit("low", self.low);
        visit("high", self.high);
        visit("health", self.health);
        visit("fault", self.fault);
        visit("age_s", self.age_s);
        visit("stage", self.stage, IfSet{});
    }
};

/// What the configuration fixes of a limit, and how it stands now.
struct LimitStatus {
    std::string id{}, name{};
    std::string watch{};                 ///< id of the quantity
    std::optional<std::string> stage{};  ///< of the quantity that it watches
    std::string unit{};
    bool above = true;         ///< trips above; otherwise below
    bool trips = true;         ///< otherwise its level is a warning and no more
    bool provisional = false;  ///< watches only while commissioning
    std::string edge{};        ///< what is judged: the "reading", or the "low" or "high" end of its interval
    double trip = 0.0;
    std::optional<double> clear{}, warn{};
    bool clears_by_level = true;  ///< otherwise by RF being off
    double qualify_s = 0.0, hold_off_s = 0.0;
    bool latches = true;
    double reaction_s = 0.0;  ///< from the physical cause to the line, at the most
    bool provable = false;    ///< a proof test can force it
    std::string standing{};   ///< whether it watches now, or why not
    bool rests = false;       ///< it doesn't
    std::string condition{};
    bool active = false;   ///< it is one of the causes
    bool warning = false;  ///< its warning stands

    /// As configured, but for the level at which it trips.
    template <class Visitor, class Self>
    static void plan_fields(Visitor& visit, Self& self) {
        visit("id", self.id);
        visit("name", self.name);
        visit("watch", self.watch);
        visit("unit", self.unit);
        visit("direction", self.above, Choice{"above", "below"});
        visit("trips", self.trips);
        visit("provisional", self.provisional);
        visit("edge", self.edge);
        visit("clear", self.clear);
        visit("warn", self.warn);
        visit("clear_by", self.clears_by_level, Choice{"level", "rf off"});
        visit("qualify_s", self.qualify_s);
        visit("hold_off_s", self.hold_off_s);
        visit("rearm", self.latches, Choice{"latched", "automatic"});
        visit("stage", self.stage, IfSet{});
    }
    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        plan_fields(visit, self);
        visit("trip", self.trip);
        visit("reaction_s", self.reaction_s);
        visit("provable", self.provable);
        visit("standing", self.standing);
        visit("rests", self.rests);
        visit("condition", self.condition);
        visit("active", self.active);
        visit("warning", self.warning);
    }
};

struct CauseStatus {
    std::string id{}, name{}, kind{}, condition{};
    bool active = true;
    bool latched = false;
    bool first = false;  ///< it took the permit away
    double since_s = 0.0;
    double hold_off_left_s = 0.0;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("id", self.id);
        visit("name", self.name);
        visit("kind", self.kind);
        visit("condition", self.condition);
        visit("active", self.active);
        visit("latched", self.latched);
        visit("first", self.first);
        visit("since_s", self.since_s);
        visit("hold_off_left_s", self.hold_off_left_s);
    }
};

/// What a sensor has done since the start, with RF present and absent apart.
struct ChannelCount {
    std::string id{};
    std::uint64_t good_keyed = 0, good_idle = 0, faults_keyed = 0, faults_idle = 0;
    std::string last_fault{};
    bool frozen = false;  ///< its reading hasn't changed by a bit for longer than configured

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("id", self.id);
        visit("good_keyed", self.good_keyed);
        visit("good_idle", self.good_idle);
        visit("faults_keyed", self.faults_keyed);
        visit("faults_idle", self.faults_idle);
        visit("last_fault", self.last_fault);
        visit("frozen", self.frozen);
    }
};

struct GuardStatus {
    std::uint64_t overruns = 0;
    bool realtime = false, memory_locked = false;
    std::uint64_t events_dropped = 0;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("overruns", self.overruns);
        visit("realtime", self.realtime);
        visit("memory_locked", self.memory_locked);
        visit("events_dropped", self.events_dropped);
    }
};

/// By the word of the program that publishes.
struct MqttStatus {
    bool telemetry = false;  ///< that program is connected to the guard
    bool connected = false;  ///< and to its broker

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("telemetry", self.telemetry);
        visit("connected", self.connected);
    }
};

/// What the daemon kept of the past since its start.
struct KeptStatus {
    std::uint64_t captures = 0;       ///< of trips, on the disk
    std::uint64_t waiting = 0;        ///< captures and rows that the storage hasn't taken yet
    std::uint64_t dropped = 0;        ///< those given up
    std::uint64_t failed_writes = 0;  ///< tries
    std::uint64_t lost_steps = 0;     ///< decisions that no capture can show

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("captures", self.captures);
        visit("waiting", self.waiting);
        visit("dropped", self.dropped);
        visit("failed_writes", self.failed_writes);
        visit("lost_steps", self.lost_steps);
    }
};

struct ProofTestStatus {
    std::string phase{};
    bool running = false;
    bool line_permits = false;
    std::optional<std::string> limit{};  ///< the one that is forced
    std::optional<double> injected{};    ///< the reading that is forced
    bool enable_sense = false;           ///< the enable voltage is measured behind the contact
    std::optional<double> release_s{};
    std::optional<std::string> last{}, due{};  ///< ISO 8601; none: never passed, never due
    bool overdue = false;
    std::string text{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("phase", self.phase);
        visit("running", self.running);
        visit("line_permits", self.line_permits);
        visit("limit", self.limit);
        visit("injected", self.injected);
        visit("enable_sense", self.enable_sense);
        visit("release_s", self.release_s);
        visit("last", self.last);
        visit("due", self.due);
        visit("overdue", self.overdue);
        visit("text", self.text);
    }
};

/// What outlives a restart.
struct MemoryStatus {
    bool first_start = false, unreadable = false, locked_out = false, held_locally = false, held_remotely = false;
    bool saved = true;
    std::optional<double> unsaved_s{};  ///< for how long the newest latches and holds have waited for the storage

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("first_start", self.first_start);
        visit("unreadable", self.unreadable);
        visit("locked_out", self.locked_out);
        visit("held_locally", self.held_locally);
        visit("held_remotely", self.held_remotely);
        visit("saved", self.saved);
        visit("unsaved_s", self.unsaved_s);
    }
};

/// One hold: whose, since when and why.
struct HoldMessage {
    std::string by{};                    ///< "local", "remote" or "start"
    std::optional<std::string> since{};  ///< ISO 8601, UTC; none: not known
    bool synchronised = false;           ///< the clock was set by a time source then
    std::string reason{}, text{};        ///< the operator's, empty: none was given; and all of it in a sentence

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("by", self.by);
        visit("since", self.since);
        visit("synchronised", self.synchronised);
        visit("reason", self.reason);
        visit("text", self.text);
    }
};

struct Status {
    std::string id{}, name{}, version{};
    double now_s = 0.0;
    std::uint64_t sequence = 0;
    bool permit = false;
    std::string state{}, reason{};
    std::optional<std::string> advice{};  ///< back-off, drive and cooling, in sentences
    std::string line{};                   ///< what the line's driver says of itself
    bool monitor_only = false;
    std::optional<double> commissioning_left_s{};
    bool rf_present = false;
    std::optional<bool> contactor_closed{};  ///< none: there is no contactor
    std::vector<CauseStatus> causes{};
    std::vector<QuantityStatus> quantities{};
    std::vector<LimitStatus> limits{};
    std::vector<ChannelCount> channels{};
    std::map<std::string, std::string> laws{};  ///< of each power, by its sensor: what its way from volts to watts is
    GuardStatus guard{};
    std::optional<MqttStatus> mqtt{};  ///< none: no broker is configured
    std::optional<KeptStatus> kept{};
    ProofTestStatus proof{};
    MemoryStatus memory{};
    std::vector<HoldMessage> holds{};
    double settling_left_s = 0.0;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("id", self.id);
        visit("name", self.name);
        visit("version", self.version);
        visit("now_s", self.now_s, Exact{});
        visit("sequence", self.sequence);
        visit("permit", self.permit);
        visit("state", self.state);
        visit("reason", self.reason);
        visit("advice", self.advice);
        visit("line", self.line);
        visit("monitor_only", self.monitor_only);
        visit("commissioning_left_s", self.commissioning_left_s);
        visit("rf_present", self.rf_present);
        visit("contactor_closed", self.contactor_closed);
        visit("causes", self.causes);
        visit("quantities", self.quantities);
        visit("limits", self.limits);
        visit("channels", self.channels);
        visit("laws", self.laws);
        visit("guard", self.guard);
        visit("mqtt", self.mqtt);
        visit("kept", self.kept);
        visit("proof", self.proof);
        visit("memory", self.memory);
        visit("holds", self.holds);
        visit("settling_left_s", self.settling_left_s);
    }
};

/// How a part of a proof test came out; times in seconds, none where nothing was measured.
struct ProofOutcome {
    std::string why{};
    bool passed = false;
    std::optional<double> line_on_s{}, line_off_s{}, contact_on_s{}, contact_off_s{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("why", self.why);
        visit("passed", self.passed);
        visit("line_on_s", self.line_on_s);
        visit("line_off_s", self.line_off_s);
        visit("contact_on_s", self.contact_on_s);
        visit("contact_off_s", self.contact_off_s);
    }
};

struct EventMessage {
    std::uint64_t number = 0;
    double at_s = 0.0;
    std::string wall{};  ///< ISO 8601, UTC
    bool synchronised = false;
    std::string kind{}, severity{}, sign{}, source{}, state{};
    bool first_cause = false;
    std::string condition{};
    std::optional<double> value{};  ///< none when nothing was measured
    std::string unit{};
    std::optional<double> level{};  ///< none where no limit was passed
    bool forced = false;            ///< by a proof test
    std::optional<ProofOutcome> proof{};
    std::string origin{};
    std::uint64_t command_id = 0;
    std::string text{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("number", self.number);
        visit("at_s", self.at_s, Exact{});
        visit("wall", self.wall);
        visit("synchronised", self.synchronised);
        visit("kind", self.kind);
        visit("severity", self.severity);
        visit("sign", self.sign);
        visit("source", self.source);
        visit("state", self.state);
        visit("first_cause", self.first_cause);
        visit("condition", self.condition);
        visit("value", self.value);
        visit("unit", self.unit);
        visit("level", self.level);
        visit("forced", self.forced, IfSet{});
        visit("proof", self.proof, IfSet{});
        visit("origin", self.origin);
        visit("command_id", self.command_id);
        visit("text", self.text);
    }
};

}  // namespace dekeyd::formats
