// The messages by MQTT beside events, as values: the plan and the summary. Each field is named once,
// here.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "words/fields.hpp"
#include "words/messages.hpp"

namespace dekeyd::formats {

/// A limit as configured, without how it stands.
struct PlannedLimit : LimitStatus {
    std::optional<double> trips_at{};  ///< none: it only warns

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        LimitStatus::plan_fields(visit, self);
        visit("trip", self.trips_at);
    }
};

struct DetectorMessage {
    std::string law{};  ///< log, table or square
    std::optional<double> slope_v_per_db{}, intercept_dbm{}, volts_per_watt{};
    std::optional<std::uint64_t> points{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("law", self.law);
        visit("slope_v_per_db", self.slope_v_per_db, IfSet{});
        visit("intercept_dbm", self.intercept_dbm, IfSet{});
        visit("volts_per_watt", self.volts_per_watt, IfSet{});
        visit("points", self.points, IfSet{});
    }
};

/// How a power is worked out from a detector's volts.
struct ChainMessage {
    std::string id{};
    DetectorMessage detector{};
    double coupling_db = 0.0, pads_db = 0.0, cable_db = 0.0, waveform_db = 0.0, floor_dbm = 0.0, ceiling_dbm = 0.0;
    double uncertainty_db = 0.0;  ///< at its trip, where there is one

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("id", self.id);
        visit("detector", self.detector);
        visit("coupling_db", self.coupling_db);
        visit("pads_db", self.pads_db);
        visit("cable_db", self.cable_db);
        visit("waveform_db", self.waveform_db);
        visit("floor_dbm", self.floor_dbm);
        visit("ceiling_dbm", self.ceiling_dbm);
        visit("uncertainty_db", self.uncertainty_db);
    }
};

/// service/plan: what the configuration fixes.
struct PlanMessage {
    std::vector<PlannedLimit> limits{};
    std::map<std::string, std::string> roles{};  ///< role → sensor
    std::vector<ChainMessage> chains{};
    double settling_s = 0.0;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("limits", self.limits);
        visit("roles", self.roles);
        visit("chains", self.chains);
        visit("settling_s", self.settling_s);
    }
};

struct SummaryCause {
    std::string id{};  ///< of its alert
    std::string text{};
    double since_s = 0.0, hold_off_left_s = 0.0;  ///< to a tenth
    bool latched = false, first = false;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("id", self.id);
        visit("text", self.text);
        visit("since_s", self.since_s);
        visit("hold_off_left_s", self.hold_off_left_s);
        visit("latched", self.latched);
        visit("first", self.first);
    }
};

struct SummaryProof {
    std::string phase{}, text{};

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("phase", self.phase);
        visit("text", self.text);
    }
};

/// service/summary: everything in one object, when anything in it has changed, and every 15 s.
struct LiveSummary {
    std::string wall{};  ///< ISO 8601, UTC
    bool synchronised = false;
    std::uint64_t sequence = 0;
    bool permit = false;
    std::string state{}, reason{}, held{};
    std::vector<HoldMessage> holds{};
    bool monitor_only = false;
    std::optional<std::int64_t> commissioning_left_s{};
    SummaryProof proof{};
    bool rf = false;
    std::optional<std::int64_t> transmitting_s{}, settling_left_s{};
    std::map<std::string, std::optional<double>> values{};
    std::map<std::string, std::vector<std::optional<double>>> span{};  ///< low and high; high none: no end
    std::map<std::string, std::string> quality{};                      ///< of those that aren't good
    std::vector<SummaryCause> causes{};
    std::map<std::string, std::string> resting{};  ///< limits that don't watch now, and why
    std::uint64_t events_waiting = 0;

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("wall", self.wall);
        visit("synchronised", self.synchronised);
        visit("sequence", self.sequence);
        visit("permit", self.permit);
        visit("state", self.state);
        visit("reason", self.reason);
        visit("held", self.held);
        visit("holds", self.holds);
        visit("monitor_only", self.monitor_only);
        visit("commissioning_left_s", self.commissioning_left_s);
        visit("proof", self.proof);
        visit("rf", self.rf);
        visit("transmitting_s", self.transmitting_s);
        visit("settling_left_s", self.settling_left_s);
        visit("values", self.values);
        visit("span", self.span);
        visit("quality", self.quality);
        visit("causes", self.causes);
        visit("resting", self.resting);
        visit("events_waiting", self.events_waiting);
    }
};

/// service/pulse: in a second without a summary, that the last one is still true.
struct Pulse {
    std::string wall{};          ///< ISO 8601, UTC
    std::uint64_t sequence = 0;  ///< of the decision that was looked at
    std::uint64_t summary = 0;   ///< the sequence of the summary that is meant

    template <class Visitor, class Self>
    static void fields(Visitor& visit, Self& self) {
        visit("wall", self.wall);
        visit("sequence", self.sequence);
        visit("summary", self.summary);
    }
};

}  // namespace dekeyd::formats
