#include "mqtt/amplifier.hpp"

#include <filesystem>
#include <stdexcept>

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
    configuration.run_directory = folder.path();
    std::filesystem::create_directory(folder / "delivered");
}

Amplifier::~Amplifier() {
    stop();
}

void Amplifier::start() {
    stop();
    start_guard();
    start_telemetry();
    step(event(core::EventKind::started));
}

void Amplifier::stop() {
    stop_telemetry();
    stop_guard();
}

void Amplifier::start_guard() {
    outlet.emplace(configuration.plan);
    control.emplace(
        configuration, *outlet, local_commands, guard, [] { return formats::StatusContext{}; }, nullptr, &state);
    journal_feed.emplace(configuration.state_directory + "/journal", state, control->wake(),
                         configuration.state_directory + "/captures");
    control->serve_telemetry({.commands = &commands, .storage = &state, .latest = &latest}, "test");
    control->serve_events(*journal_feed, state);
    recorder.emplace(configuration, to_recorder, *for_recorder, state, control->wake());
    recorder->start();
    journal_feed->start();
    snapshot.now = monotonic_now();
    {
        const std::lock_guard lock{mutex_};
        published_ = snapshot;
        publish();
    }
    if (const std::string trouble = control->listen(); !trouble.empty()) throw std::runtime_error{trouble};
    control_thread_ = std::thread{[this] { control->run(); }};
    decides_ = true;
    deciding_ = std::thread{[this] { go_on_deciding(); }};
}

void Amplifier::stop_guard() {
    decides_ = false;
    if (deciding_.joinable()) deciding_.join();
    if (control) control->leave();
    if (control_thread_.joinable()) control_thread_.join();
    if (recorder) recorder->stop(monotonic_now() + 10s);
    if (journal_feed) journal_feed->stop(monotonic_now() + 10s);
    recorder.reset();
    control.reset();
}

void Amplifier::start_telemetry() {
    view.emplace(configuration.plan);
    place.emplace(folder / "delivered");
    link.emplace(configuration, "test", *view);
    telemetry.emplace(configuration, *view, *place, folder / "delivered");
    place->start();
    link->start();
    telemetry->start();
}

void Amplifier::stop_telemetry() {
    if (telemetry) telemetry->stop(monotonic_now() + 10s);
    if (link) link->stop(monotonic_now() + 10s);
    if (place) place->stop(monotonic_now() + 10s);
    telemetry.reset();
    link.reset();
}

// The time goes on, as a guard that decides shows it. Not at once after a step, whose own event is to find it.
void Amplifier::go_on_deciding() {
    while (decides_) {
        std::this_thread::sleep_for(20ms);
        const std::lock_guard lock{mutex_};
        if (frozen_ || monotonic_now() - published_.now < 100ms) continue;
        published_.now = monotonic_now();
        publish();
    }
}

void Amplifier::publish() {
    for (auto* newest : {&*for_recorder, &outlet->snapshot}) {
        newest->draft() = published_;
        newest->publish();
    }
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
    {
        const std::lock_guard lock{mutex_};
        published_ = snapshot;
        if (made) {
            made->at = snapshot.now;
            to_recorder.push(*made);
            outlet->events.push(*made);
        }
        publish();
    }
    if (recorder) recorder->wake().ring();
    if (control) control->wake().ring();
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
