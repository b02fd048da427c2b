#include "mqtt/amplifier.hpp"

namespace dekeyd::test {

using namespace std::chrono_literals;

Amplifier::Amplifier(int port, const std::string& id) {
    configuration.id = id;
    configuration.name = "Hill-top repeater amplifier";
    configuration.plan = sample_plan();
    configuration.state_directory = folder.path();
    configuration.mqtt = formats::MqttConfig{};
    configuration.mqtt->host = "127.0.0.1";
    configuration.mqtt->port = port;
    configuration.mqtt->slowest = 30s;
    configuration.mqtt->fastest = 100ms;
    snapshot = core::Protection::blank(configuration.plan);
    snapshot.state = core::State::starting;
    snapshot.quantities[0] = good(31.5);
    snapshot.quantities[1] = {
        .value = 0.01, .low = 0.0, .high = 0.01, .health = core::Health::at_floor, .fault = core::Fault::none};
    snapshot.quantities[2] = snapshot.quantities[1];
    for (std::size_t i = 3; i < snapshot.quantities.size(); ++i) {
        snapshot.quantities[i] = {.health = core::Health::not_measurable, .fault = core::Fault::none};
    }
    for (core::Cause& cause : snapshot.causes) cause.condition = core::Condition::clear;
    for_recorder.emplace(snapshot);
    for_telemetry.emplace(snapshot);
}

void Amplifier::start() {
    recorder.reset();
    telemetry.reset();
    telemetry.emplace(configuration, to_telemetry, *for_telemetry, commands, guard, state, nullptr, &latest);
    recorder.emplace(configuration, to_recorder, *for_recorder, state, &telemetry->wake());
    recorder->start();
    telemetry->start();
    step(event(core::EventKind::started));
}

void Amplifier::stop() {
    if (recorder) recorder->stop(monotonic_now() + 10s);
    if (telemetry) telemetry->stop(monotonic_now() + 10s);
}

core::Event Amplifier::event(core::EventKind kind, core::SourceIndex source) {
    core::Event made;
    made.number = ++events;
    made.kind = kind;
    made.source = source;
    made.at = monotonic_now();
    made.state = snapshot.state;
    return made;
}

void Amplifier::step(std::optional<core::Event> made) {
    ++snapshot.sequence;
    snapshot.now = monotonic_now();
    if (made) {
        made->at = snapshot.now;
        to_recorder.push(*made);
        to_telemetry.push(*made);
    }
    for (auto* newest : {&*for_recorder, &*for_telemetry}) {
        newest->draft() = snapshot;
        newest->publish();
    }
    recorder->wake().ring();
    telemetry->wake().ring();
}

void Amplifier::transmit() {
    snapshot.permit = true;
    snapshot.state = core::State::permitted;
    snapshot.rf_present = true;
    snapshot.quantities[1] = good(104.2);
    snapshot.quantities[2] = good(1.9);
    snapshot.quantities[configuration.plan.index(core::Derived::vswr)] = good(1.31);
    step(event(core::EventKind::permitted));
}

void Amplifier::trip() {
    core::Event made = event(core::EventKind::tripped, vswr_limit);
    snapshot.permit = false;
    snapshot.state = core::State::latched;
    snapshot.quantities[configuration.plan.index(core::Derived::vswr)] = good(2.41);
    snapshot.causes[vswr_limit] = {.condition = core::Condition::bad, .active = true, .latched = true, .first = true};
    snapshot.memory.latched[vswr_limit] = true;
    made.state = snapshot.state;
    made.first_cause = true;
    made.condition = core::Condition::bad;
    made.reading = good(2.41);
    made.level = 2.0;
    step(made);
}

}  // namespace dekeyd::test
