// Walks a recorded session of one device and says which rules of the Homie 5 convention it breaks.
#pragma once

#include <string>
#include <vector>

#include "mqtt/listener.hpp"

namespace dekeyd::test {

/// One line a fault, with the topic; empty when the session is right. `session`: everything heard from before the
/// device connected on, in order, below homie/5/<device>.
std::vector<std::string> faults_of_session(const std::vector<Heard>& session, const std::string& device);

/// The same for what a newcomer finds retained.
std::vector<std::string> faults_of_retained(const std::vector<Heard>& retained, const std::string& device);

/// a-z, 0-9 and hyphen; not empty; no hyphen at either end.
bool is_topic_id(const std::string& id);

}  // namespace dekeyd::test
