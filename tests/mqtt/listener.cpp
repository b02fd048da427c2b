#include "mqtt/listener.hpp"

#include <stdexcept>

namespace dekeyd::test {

using std::chrono::seconds;

Listener::Listener(int port, const std::string& filter, const std::string& id, const std::string& user,
                   const std::string& password)
    : client_{"tcp://127.0.0.1:" + std::to_string(port), id} {
    client_.set_message_callback([this](const mqtt::const_message_ptr& message) {
        const std::lock_guard lock{mutex_};
        heard_.push_back({std::chrono::steady_clock::now(), message->get_topic(), message->to_string(),
                          message->get_qos(), message->is_retained()});
    });
    mqtt::connect_options options;
    options.set_clean_session(true);
    if (!user.empty()) options.set_user_name(user);
    if (!password.empty()) options.set_password(password);
    if (!client_.connect(options)->wait_for(seconds{10}) || !client_.subscribe(filter, 1)->wait_for(seconds{10})) {
        throw std::runtime_error{"the listener can't reach the broker"};
    }
}

Listener::~Listener() {
    try {
        if (client_.is_connected()) client_.disconnect()->wait_for(seconds{2});
    } catch (...) {
    }
}

std::vector<Heard> Listener::all() const {
    const std::lock_guard lock{mutex_};
    return heard_;
}

std::vector<std::string> Listener::of(const std::string& topic) const {
    std::vector<std::string> payloads;
    for (const Heard& heard : all()) {
        if (heard.topic == topic) payloads.push_back(heard.payload);
    }
    return payloads;
}

std::optional<std::string> Listener::last(const std::string& topic) const {
    const auto payloads = of(topic);
    return payloads.empty() ? std::nullopt : std::optional{payloads.back()};
}

void Listener::publish(const std::string& topic, const std::string& payload, bool retained, int qos) {
    client_.publish(mqtt::make_message(topic, payload, qos, retained))->wait_for(seconds{10});
}

}  // namespace dekeyd::test
