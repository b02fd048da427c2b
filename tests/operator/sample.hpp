// A status as the daemon says it, for the operator's tests: an invented amplifier, keyed, all well.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

namespace sample {

inline nlohmann::json quantity(const char* id, const char* name, const char* unit, double value, double age = 0.02) {
    return {{"id", id},         {"name", name},       {"unit", unit},
            {"value", value},   {"low", value * 0.9}, {"high", value * 1.1},
            {"health", "good"}, {"fault", "none"},    {"age_s", age}};
}

inline nlohmann::json limit(const char* id, const char* watch, const char* unit, const char* direction, double trip) {
    return {{"id", id},
            {"name", id},
            {"watch", watch},
            {"unit", unit},
            {"direction", direction},
            {"trip", trip},
            {"clear", nullptr},
            {"warn", nullptr},
            {"clear_by", "level"},
            {"qualify_s", 1.0},
            {"hold_off_s", 30.0},
            {"rearm", "automatic"},
            {"condition", "clear"},
            {"active", false},
            {"warning", false}};
}

inline nlohmann::json status() {
    auto heatsink = limit("heatsink", "heatsink", "°C", "above", 70.0);
    heatsink["clear"] = 55.0;
    heatsink["warn"] = 65.0;
    auto vswr = limit("vswr", "vswr", "", "above", 2.0);
    vswr["clear_by"] = "rf off";
    vswr["rearm"] = "latched";
    auto low = limit("supply-low", "supply", "V", "below", 24.0);
    low["clear"] = 26.0;
    auto high = limit("supply-high", "supply", "V", "above", 31.0);
    high["clear"] = 29.0;
    return {{"id", "hilltop-23cm"},
            {"name", "Hill-top repeater amplifier"},
            {"version", "0.1.0"},
            {"now_s", 1234.5},
            {"sequence", 77},
            {"permit", true},
            {"state", "permitted"},
            {"reason", "No cause stands."},
            {"line", "file /tmp/line, read back as permit"},
            {"causes", nlohmann::json::array()},
            {"quantities",
             {quantity("heatsink", "Heatsink", "°C", 41.3, 0.6), quantity("forward", "Forward power", "W", 118.2),
              quantity("vswr", "VSWR", "", 1.31), quantity("supply", "Supply", "V", 28.1),
              quantity("gain", "Gain", "dB", 17.6)}},
            {"limits", {heatsink, vswr, low, high, limit("forward", "forward", "W", "above", 130.0)}},
            {"channels",
             {{{"id", "heatsink"},
               {"good_keyed", 960},
               {"good_idle", 1000},
               {"faults_keyed", 40},
               {"faults_idle", 0},
               {"last_fault", "bad CRC"}}}},
            {"guard", {{"overruns", 0}, {"realtime", false}, {"memory_locked", true}, {"events_dropped", 0}}},
            {"mqtt", {{"telemetry", true}, {"connected", true}}},
            {"kept", {{"captures", 3}, {"waiting", 0}, {"dropped", 0}, {"failed_writes", 0}, {"lost_steps", 0}}},
            {"memory",
             {{"first_start", false},
              {"unreadable", false},
              {"locked_out", false},
              {"held_locally", false},
              {"held_remotely", false}}},
            {"settling_left_s", 0.0}};
}

/// The same after a VSWR trip: inhibited, latched, no RF.
inline nlohmann::json tripped() {
    auto json = status();
    json["permit"] = false;
    json["state"] = "latched";
    json["reason"] = "vswr was above 2.0";
    json["causes"] = {{{"id", "vswr"},
                       {"name", "VSWR"},
                       {"kind", "limit"},
                       {"condition", "clear"},
                       {"active", true},
                       {"latched", true},
                       {"first", true},
                       {"since_s", 12.0},
                       {"hold_off_left_s", 0.0}}};
    json["quantities"][1]["value"] = 0.01;
    json["quantities"][1]["health"] = "at the floor";
    json["quantities"][2]["value"] = nullptr;
    json["quantities"][2]["health"] = "not measurable";
    json["limits"][1]["active"] = true;
    return json;
}

inline std::string event(int number, const char* kind, const char* text) {
    return nlohmann::json{{"event",
                           {{"number", number},
                            {"at_s", 1234.0},
                            {"wall", "2026-05-01T10:20:30.123Z"},
                            {"synchronised", true},
                            {"kind", kind},
                            {"source", "vswr"},
                            {"state", "latched"},
                            {"text", text}}}}
        .dump();
}

}  // namespace sample
