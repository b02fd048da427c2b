// The configuration in sentences.
#include <algorithm>

#include "configuration/after_death.hpp"
#include "configuration/delay.hpp"
#include "configuration/parts.hpp"
#include "configuration/raw_bounds.hpp"
#include "configuration/summary.hpp"

namespace dekeyd::formats {
std::string_view driver_words(BusDriver driver) {
    switch (driver) {
        case BusDriver::w1: return "1-Wire thermometers";
        case BusDriver::iio: return "converter";
        case BusDriver::hwmon: return "monitor chip";
        case BusDriver::contact: return "contacts";
    }
    return "bus";
}

namespace {

std::string lower_first(std::string_view name) {
    std::string result{name};
    // "VSWR" and the like stay as they are, and "Driver: Heatsink", which is a name and another's.
    const bool capital_word = result.size() > 1 && result[1] >= 'A' && result[1] <= 'Z';
    const bool two_names = name.find(": ") != std::string_view::npos;
    if (!result.empty() && !capital_word && !two_names && result[0] >= 'A' && result[0] <= 'Z')
        result[0] = static_cast<char>(result[0] - 'A' + 'a');
    return result;
}

std::string line_sentence(const LineConfig& line, std::string_view what) {
    if (line.driver == LineDriver::file)
        return fmt::format("{} is the file {}, which drives no output and protects nothing.", what, line.path);
    const std::string on = line.chip.empty() ? "on the one chip that has it" : fmt::format("on {}", line.chip);
    return fmt::format("{} is GPIO line {} {}; {} permits, and a line that nothing drives must read {}.", what,
                       line.line, on, line.permit_high ? "high" : "low", line.permit_high ? "low" : "high");
}

std::string contactor_sentence(const core::Plan& plan) {
    const auto& sense = plan.roles.contactor_sense;
    if (!sense) return "Nothing sees the contactor's contacts: a welded one stays unseen.";
    const core::Channel& channel = plan.channels[*sense];
    return fmt::format(
        "De-keys when {}, which is {} while the contactor is open, contradicts its order for {}; a contactor that "
        "stays "
        "closed latches.",
        lower_first(channel.name), channel.normally_open ? "open" : "closed", show(plan.supervision.contactor_time));
}

/// Empty where the line drives nothing.
std::string after_death_sentence(const Configuration& configuration) {
    if (configuration.line.driver == LineDriver::file) return {};
    return fmt::format(
        "After the death of the daemon the line may keep its level until the service's stop hook inhibits: where "
        "a thread is stuck in the kernel for up to {} (derived: watchdog {}, abort {}, kill {}, hook {}) and the time "
        "to "
        "start the hook. A dynamic permit ends by itself after its release time{}.",
        show(longest_after_death), show(watchdog_time), show(abort_time), show(kill_time), show(stop_hook_time),
        configuration.dynamic_permit ? "" : ": recommended");
}

std::string gate_words(const core::Plan& plan, const core::Gate& gate) {
    const core::QuantityInfo info = core::describe(plan, gate.quantity);
    return fmt::format(", while {} is at or {} {}", lower_first(info.name),
                       gate.open == core::Direction::above ? "above" : "below", show(gate.level, info.unit));
}

std::string leave_words(const core::LimitPlan& limit, core::Unit unit) {
    const std::string gone =
        limit.clear_by == core::ClearBy::rf_off
            ? fmt::format("RF has been off for {}", show(limit.hold_off))
            : fmt::format("it has been {} {} for {}", limit.direction == core::Direction::above ? "below" : "above",
                          show(limit.clear, unit), show(limit.hold_off));
    if (limit.rearm == core::Rearm::latched) return fmt::format("latches until an operator resets it and {}", gone);
    return fmt::format("permits again when {}", gone);
}

}  // namespace

std::string limit_sentence(const Configuration& configuration, const core::LimitPlan& limit) {
    const core::Plan& plan = configuration.plan;
    const core::QuantityInfo info = core::describe(plan, limit.watch);
    if (!limit.trips)
        return fmt::format("Warns when {} is at or {} {}{}, and does no more; the warning ends {} {} ({}).",
                           lower_first(info.name), limit.direction == core::Direction::above ? "above" : "below",
                           show(limit.trip, info.unit), limit.gate ? gate_words(plan, *limit.gate) : "",
                           limit.direction == core::Direction::above ? "below" : "above", show(limit.clear, info.unit),
                           limit.id);
    const bool contact =
        limit.watch < plan.channels.size() && plan.channels[limit.watch].kind == core::ChannelKind::contact;
    const bool open = contact && plan.channels[limit.watch].normally_open;
    const std::string_view back = open ? "open" : "closed";
    const std::string for_time =
        limit.qualify > core::Duration::zero() ? fmt::format(" for {}", show(limit.qualify)) : "";
    const std::string edge = limit.edge == core::Edge::low    ? "the low end of "
                             : limit.edge == core::Edge::high ? "the high end of "
                                                              : "";
    const std::string cause =
        open      ? fmt::format("De-keys when the contact of {} closes{} (a cut wire to it is not seen)",
                                lower_first(info.name), for_time)
        : contact ? fmt::format("De-keys when the contact of {} opens{}", lower_first(info.name), for_time)
                  : fmt::format("De-keys when {}{} is at or {} {}{}", edge, lower_first(info.name),
                                limit.direction == core::Direction::above ? "above" : "below",
                                show(limit.trip, info.unit), for_time);
    const std::string gate = (limit.provisional ? ", while commissioning" : "") +
                             (limit.gate ? gate_words(plan, *limit.gate) : std::string{});
    const std::string leave = contact && limit.rearm == core::Rearm::automatic
                                  ? fmt::format("permits again when it has been {} for {}", back, show(limit.hold_off))
                              : contact ? fmt::format("latches until an operator resets it and it has been {} for {}",
                                                      back, show(limit.hold_off))
                                        : leave_words(limit, info.unit);
    const std::string warn =
        limit.warn ? fmt::format(" Warns {} {}.", limit.direction == core::Direction::above ? "from" : "down to",
                                 show(*limit.warn, info.unit))
                   : "";
    const WorstDelay worst = worst_delay(configuration, limit);
    // By the next look the qualify time is over: nothing may contradict a single overshoot.
    const std::string_view looks =
        !contact && limit.qualify <= worst.wait ? ", and one look beyond the level is enough" : "";
    return fmt::format("{}{}; {}. At worst {} from the sensor to the line{} ({}).{}", cause, gate, leave,
                       show(worst.total()), looks, limit.id, warn);
}

namespace {

void add_sensors(const Configuration& configuration, std::vector<std::string>& sentences) {
    for (const BusConfig& bus : configuration.buses) {
        std::vector<std::string> names;
        for (const SlotConfig& slot : bus.slots) {
            const std::string name = fmt::format("{} at {}", slot.sensor, slot.address);
            names.push_back(std::find(names.begin(), names.end(), name) == names.end() ? name : slot.sensor + " again");
        }
        const std::string device = bus.device.empty() ? "" : fmt::format(" {}", bus.device);
        const std::string how = (bus.convert_together ? ", converted together" : "") +
                                (bus.bits ? fmt::format(", by {} bits", *bus.bits) : std::string{});
        sentences.push_back(fmt::format("Reads the {}{} '{}' once in {}{}: {}.", driver_words(bus.driver), device,
                                        bus.id, show(round_time(bus)), how, fmt::join(names, ", ")));
    }
    for (const core::Channel& channel : configuration.plan.channels) {
        sentences.push_back(channel.required ? fmt::format("De-keys when {} has given no good reading for {}.",
                                                           lower_first(channel.name), show(channel.allowed_age))
                                             : fmt::format("Goes on without {}.", lower_first(channel.name)));
    }
}

void add_emission(const Configuration& configuration, std::vector<std::string>& sentences) {
    const core::EmissionFacts* const emission = configuration.emission;
    if (emission == nullptr || emission->steady()) return;
    sentences.push_back(fmt::format(
        "Averages ratios of powers (VSWR, gain) over {}, weighted by power, for the envelope of what is sent "
        "moves{}; limits on powers themselves act at once, as ever.",
        show(configuration.plan.rf.emission.ratio_time),
        emission->log_low_db > 0.0
            ? fmt::format(", and adds {} to what a log detector shows", show(emission->log_low_db, core::Unit::decibel))
            : ""));
}

void add_interlock(const Configuration& configuration, std::vector<std::string>& sentences) {
    const core::InterlockPlan& interlock = configuration.plan.interlock;
    sentences.push_back(
        fmt::format("Permits for the first time when everything has been good for {}{}.", show(interlock.settling),
                    interlock.held_after_start ? " and an operator has released the hold of each start" : ""));
    sentences.push_back(fmt::format("Locks out after {} trips within {}, or {} starts after an unclean stop within {}.",
                                    interlock.lockout_trips, show(interlock.lockout_window), interlock.unclean_starts,
                                    show(interlock.unclean_window)));
    std::vector<std::string> pending;
    for (const core::Channel& channel : configuration.plan.channels)
        if (channel.power && channel.power->calibration_pending) pending.push_back(lower_first(channel.name));
    const auto& commissioning = configuration.plan.supervision.commissioning;
    if (!pending.empty())
        sentences.push_back(fmt::format("Never permits until {} {} calibrated{}.", fmt::join(pending, ", "),
                                        pending.size() == 1 ? "is" : "are",
                                        commissioning ? ", but while commissioning" : ""));
    if (commissioning)
        sentences.push_back(
            fmt::format("'dekeyctl commission' lasts for {}, under provisional limits.", show(*commissioning)));
    if (!configuration.plan.roles.drive) return;
    if (configuration.plan.supervision.continuous_drive)
        sentences.emplace_back("Permits into drive: the exciter is said never to pause.");
    else
        sentences.push_back(fmt::format("Begins a permit, and re-arms by itself, only while drive is under {}.",
                                        show(configuration.plan.rf.drive_absent_w, core::Unit::watt)));
}

void add_rules(const Configuration& configuration, std::vector<std::string>& sentences) {
    const core::SupervisionPlan& supervision = configuration.plan.supervision;
    const core::PlausibilityPlan& plausibility = configuration.plan.plausibility;
    if (supervision.longest_transmission)
        sentences.push_back(fmt::format("De-keys a transmission of more than {}, and warns {} before.",
                                        show(*supervision.longest_transmission),
                                        show(supervision.transmission_warning)));
    if (plausibility.current_with_rf_a)
        sentences.push_back(fmt::format("De-keys when {} or more flow and no forward power is seen.",
                                        show(*plausibility.current_with_rf_a, core::Unit::ampere)));
    if (plausibility.best_return_loss_db)
        sentences.push_back(fmt::format("De-keys when the return loss is better than {}: a loose reflected cable.",
                                        show(*plausibility.best_return_loss_db, core::Unit::decibel)));
    if (plausibility.heating_w)
        sentences.push_back(fmt::format("De-keys when {} of heat raise the heatsink by less than {:g} K in {}.",
                                        show(*plausibility.heating_w, core::Unit::watt), plausibility.heating_rise_k,
                                        show(plausibility.heating_time)));
}

void add_mqtt(const Configuration& configuration, std::vector<std::string>& sentences) {
    if (!configuration.mqtt) {
        sentences.emplace_back("Publishes nothing: there is no 'mqtt:' section.");
        return;
    }
    const MqttConfig& mqtt = *configuration.mqtt;
    std::vector<std::string_view> allowed{"hold"};
    if (mqtt.remote_release) allowed.emplace_back("release");
    if (mqtt.remote_reset) allowed.emplace_back("reset");
    sentences.push_back(fmt::format("Publishes to the broker at {}:{}{}; from there it takes: {}.", mqtt.host,
                                    mqtt.port, mqtt.tls ? " over TLS" : "", fmt::join(allowed, ", ")));
}

void add_signal(const Configuration& configuration, std::vector<std::string>& sentences) {
    if (!configuration.signal) return;
    for (std::size_t i = 0; i < signal_measure_count; ++i) {
        const auto& received = configuration.signal->at(i);
        if (!received) continue;
        sentences.push_back(fmt::format(
            "Listens to {} for the {} of the signal: shown beside, for {}, and a warning below {}. It never trips and "
            "never permits; who can publish there can make it say anything.",
            received->topic, signal_measure_names.of(static_cast<SignalMeasure>(i)), show(received->allowed_age),
            show(received->warn_below_db, Dimension::ratio_db)));
    }
}

}  // namespace

std::vector<std::string> summarise(const Configuration& configuration) {
    std::vector<std::string> sentences;
    const core::RfPlan& rf = configuration.plan.rf;
    const std::string rated = rf.rated_w > 0.0 ? fmt::format(", rated {}", show(rf.rated_w, core::Unit::watt)) : "";
    const std::string frequency =
        configuration.frequency_hz ? fmt::format(" at {:.6g} MHz", *configuration.frequency_hz / 1e6) : "";
    sentences.push_back(fmt::format("{} ({}){}{}.", configuration.name, configuration.id, rated, frequency));
    sentences.push_back(line_sentence(configuration.line, "The inhibit line"));
    if (configuration.contactor) {
        sentences.push_back(line_sentence(*configuration.contactor, "The supply contactor"));
        sentences.push_back(contactor_sentence(configuration.plan));
    }
    if (configuration.dynamic_permit)
        sentences.push_back(line_sentence(*configuration.dynamic_permit,
                                          "The dynamic permit, which toggles with each decision while permitted,"));
    if (std::string sentence = after_death_sentence(configuration); !sentence.empty())
        sentences.push_back(std::move(sentence));
    if (configuration.plan.supervision.monitor_only)
        sentences.emplace_back(
            "Monitor only: the line is never driven to permit, and dekeyd doesn't protect the "
            "amplifier.");
    add_sensors(configuration, sentences);
    add_emission(configuration, sentences);
    for (const core::LimitPlan& limit : configuration.plan.limits)
        sentences.push_back(limit_sentence(configuration, limit));
    for (const Accepted& accepted : configuration.accepted)
        sentences.push_back(fmt::format("Accepted as it is ({}): {}.", accepted.word, accepted.what));
    add_rules(configuration, sentences);
    add_interlock(configuration, sentences);
    for (std::string& sentence : raw_bound_sentences(configuration)) sentences.push_back(std::move(sentence));
    add_mqtt(configuration, sentences);
    add_signal(configuration, sentences);
    return sentences;
}

}  // namespace dekeyd::formats
