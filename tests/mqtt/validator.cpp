#include "mqtt/validator.hpp"

#include <nlohmann/json.hpp>
#include <regex>
#include <set>

#include "mqtt/payloads.hpp"

namespace dekeyd::test {
namespace {

using nlohmann::json;

bool is_utf8(const std::string& text) {
    return json(text).dump(-1, ' ', false, json::error_handler_t::replace).find("\xEF\xBF\xBD") == std::string::npos;
}

class Walk {
public:
    explicit Walk(std::string device) : base_{"homie/5/" + std::move(device)} {}

    void see(const Heard& heard, bool live) {
        if (heard.topic.rfind(base_ + "/", 0) != 0) {
            if (heard.topic.rfind("homie/", 0) == 0) fault(heard.topic, "outside the device's own tree");
            return;
        }
        if (!is_utf8(heard.payload)) fault(heard.topic, "not UTF-8");
        if (heard.payload.rfind("\xEF\xBB\xBF", 0) == 0) fault(heard.topic, "begins with a byte order mark");
        const auto levels = split(heard.topic.substr(base_.size() + 1), '/');
        if (levels[0] == "$state") return state(heard, live);
        if (levels[0] == "$description") return description(heard, live);
        if (levels[0] == "$alert") return alert(heard, levels);
        if (levels[0] == "$log") return log(heard, levels, live);
        if (levels[0].rfind('$', 0) == 0) return fault(heard.topic, "an attribute that devices don't have");
        if (levels.size() == 3 && levels[2] == "set") return;  // a controller's
        if (levels.size() != 2) return fault(heard.topic, "neither a property nor an attribute");
        property(heard, levels[0], levels[1], live);
    }

    void end() {
        if (state_.empty()) fault("$state", "was never published");
        if (description_.is_null()) return fault("$description", "was never published");
    }

    std::vector<std::string> faults;

private:
    void fault(const std::string& topic, const std::string& what) { faults.push_back(topic + ": " + what); }

    void state(const Heard& heard, bool live) {
        static const std::set<std::string> known{"init", "ready", "disconnected", "sleeping", "lost"};
        if (known.count(heard.payload) == 0) return fault(heard.topic, "no such state: " + heard.payload);
        if (live) {
            static const std::set<std::pair<std::string, std::string>> allowed{
                {"", "init"},      {"init", "ready"}, {"init", "lost"},          {"init", "disconnected"},
                {"ready", "lost"}, {"lost", "init"},  {"ready", "disconnected"}, {"disconnected", "init"},
                {"ready", "init"}, {"init", "init"}};
            if (allowed.count({state_, heard.payload}) == 0) {
                fault(heard.topic, "goes from '" + state_ + "' to '" + heard.payload + "'");
            }
            if (heard.payload == "init") {
                seen_.clear();
                announced_ = false;
            }
            if (heard.payload == "ready") ready();
        }
        state_ = heard.payload;
    }

    void ready() {
        if (!announced_) fault("$state", "ready without a description in this session");
        for (const auto& [node, node_value] : description_["nodes"].items()) {
            for (const auto& [id, one] : node_value["properties"].items()) {
                if (one.value("retained", true) && seen_.count(node + "/" + id) == 0) {
                    fault(node + "/" + id, "described, and not published before ready");
                }
            }
        }
    }

    void description(const Heard& heard, bool live) {
        if (live && state_ != "init") fault(heard.topic, "changed while $state is " + state_);
        json document;
        try {
            document = json::parse(heard.payload);
        } catch (const json::exception& error) {
            return fault(heard.topic, error.what());
        }
        if (!document.is_object()) return fault(heard.topic, "not an object");
        if (!std::regex_match(document.value("homie", ""), std::regex{"5\\.[0-9]+"})) fault(heard.topic, "homie");
        if (!document.contains("version") || !document["version"].is_number_integer()) fault(heard.topic, "version");
        if (document.value("name", "").empty()) fault(heard.topic, "name");
        static const std::set<std::string> fields{"homie", "version",  "nodes",     "name",
                                                  "type",  "children", "extensions"};
        for (const auto& [key, value] : document.items()) {
            if (fields.count(key) == 0) fault(heard.topic, "unknown field " + key);
            if (value.is_null()) fault(heard.topic, "null " + key);
        }
        if (!document["nodes"].is_object()) return fault(heard.topic, "nodes is no object");
        if (!faults.empty()) return;
        for (const auto& [id, node] : document["nodes"].items()) check_node(id, node);
        if (!description_.is_null()) {
            json before = description_;
            json after = document;
            const auto old_version = before["version"].get<std::int64_t>();
            const auto new_version = after["version"].get<std::int64_t>();
            before.erase("version");
            after.erase("version");
            if (before == after ? new_version != old_version : new_version <= old_version) {
                fault(heard.topic, "the version doesn't go with the change");
            }
        }
        description_ = document;
        announced_ = true;
    }

    void check_node(const std::string& id, const json& node) {
        if (!is_topic_id(id)) fault(id, "not a topic id");
        static const std::set<std::string> fields{"name", "type", "properties"};
        for (const auto& [key, value] : node.items()) {
            if (fields.count(key) == 0) fault(id, "unknown field " + key);
        }
        if (!node["properties"].is_object()) return fault(id, "properties is no object");
        for (const auto& [property, one] : node["properties"].items())
            check_property(id + "/" + property, property, one);
    }

    void check_property(const std::string& where, const std::string& id, const json& one) {
        if (!is_topic_id(id)) fault(where, "not a topic id");
        static const std::set<std::string> fields{"name", "datatype", "format", "settable", "retained", "unit"};
        static const std::set<std::string> datatypes{"integer", "float",    "boolean",  "string", "enum",
                                                     "color",   "datetime", "duration", "json"};
        for (const auto& [key, value] : one.items()) {
            if (fields.count(key) == 0) fault(where, "unknown field " + key);
            const bool flag = key == "settable" || key == "retained";
            if (flag ? !value.is_boolean() : !value.is_string()) fault(where, key + " is of the wrong type");
        }
        const std::string datatype = one.value("datatype", "");
        const std::string format = one.value("format", "");
        if (datatypes.count(datatype) == 0) fault(where, "datatype " + datatype);
        if (one.contains("name") && one["name"].get<std::string>().empty()) fault(where, "an empty name");
        if (datatype == "enum") {
            const auto values = split(format, ',');
            std::set<std::string> once{values.begin(), values.end()};
            if (values.empty() || once.count("") != 0 || once.size() != values.size()) fault(where, "format " + format);
        }
        if ((datatype == "integer" || datatype == "float") && !format.empty()) {
            const auto ends = split(format, ':');
            if (ends.size() < 2 || ends.size() > 3) return fault(where, "format " + format);
            for (const std::string& end : ends) {
                if (!end.empty() && !(datatype == "integer" ? is_integer(end) : is_float(end))) {
                    fault(where, "format " + format);
                }
            }
        }
        if (datatype == "boolean" && !format.empty() && split(format, ',').size() != 2)
            fault(where, "format " + format);
    }

    void property(const Heard& heard, const std::string& node, const std::string& id, bool live) {
        const auto& nodes = description_.is_null() ? json::object() : description_["nodes"];
        const bool known = nodes.contains(node) && nodes[node]["properties"].contains(id);
        if (heard.payload.empty()) {  // taken away
            if (known && !nodes[node]["properties"][id].value("retained", true)) {
                fault(heard.topic, "a non-retained property can't be taken away");
            }
            if (live) seen_.insert(node + "/" + id);
            return;
        }
        if (!known) return fault(heard.topic, "is not in the description");
        const json& one = nodes[node]["properties"][id];
        if (live) seen_.insert(node + "/" + id);
        const bool kept = one.value("retained", true);
        if (!live && !kept) fault(heard.topic, "a non-retained property was retained");
        if (live && !kept && heard.qos != 0)
            fault(heard.topic, "a non-retained property at QoS " + std::to_string(heard.qos));
        if (live && kept && heard.qos == 0) fault(heard.topic, "a retained property at QoS 0");
        if (!fits(one["datatype"], one.value("format", ""), heard.payload)) {
            fault(heard.topic, "'" + heard.payload + "' doesn't fit " + one["datatype"].get<std::string>() + " " +
                                   one.value("format", ""));
        }
    }

    void alert(const Heard& heard, const std::vector<std::string>& levels) {
        if (levels.size() != 2 || !is_topic_id(levels[1])) fault(heard.topic, "not an alert's topic");
    }

    void log(const Heard& heard, const std::vector<std::string>& levels, bool live) {
        static const std::set<std::string> known{"debug", "info", "warn", "error", "fatal"};
        if (levels.size() != 2 || known.count(levels[1]) == 0) fault(heard.topic, "not a log topic");
        if (!live) fault(heard.topic, "a log line was retained");
        if (heard.payload.empty()) fault(heard.topic, "an empty log line");
    }

    std::string base_;
    std::string state_;
    json description_;
    bool announced_ = false;
    std::set<std::string> seen_;
};

}  // namespace

bool is_topic_id(const std::string& id) {
    static const std::regex shape{"[a-z0-9]([a-z0-9-]*[a-z0-9])?"};
    return std::regex_match(id, shape);
}

std::vector<std::string> faults_of_session(const std::vector<Heard>& session, const std::string& device) {
    Walk walk{device};
    for (const Heard& heard : session) {
        if (!heard.retained) walk.see(heard, true);
    }
    walk.end();
    return walk.faults;
}

std::vector<std::string> faults_of_retained(const std::vector<Heard>& retained, const std::string& device) {
    Walk walk{device};
    // The description first: a newcomer gets retained messages in any order.
    for (const bool attributes : {true, false}) {
        for (const Heard& heard : retained) {
            const bool attribute = heard.topic.find("/$description") != std::string::npos;
            if (heard.retained && attribute == attributes) walk.see(heard, false);
        }
    }
    walk.end();
    return walk.faults;
}

}  // namespace dekeyd::test
