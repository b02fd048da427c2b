#include "configuration/raw_bounds.hpp"

#include "configuration/parts.hpp"

namespace dekeyd::formats {
namespace {

using second_opinion::Side;

/// "voltage0 is below 0.8032 V (a code under 803.2 / in_voltage0_scale)": as the driver has it, and as the kernel shows
/// it.
std::string raw_words(const Configuration& configuration, std::uint16_t index, const Side& side) {
    const core::Channel& channel = configuration.plan.channels[index];
    const BusConfig& bus = configuration.buses[channel.sampler];
    const std::string& address = bus.slots[channel.slot].address;
    const core::Unit unit = channel.power ? core::Unit::volt : core::unit_of(channel.kind);
    const std::string_view word = side.above ? "above" : "below";
    const std::string level = fmt::format("is {} {:.5g} {}", word, side.level, core::symbol(unit));
    const double milli = side.level * 1000.0;
    switch (bus.driver) {
        case BusDriver::w1: return fmt::format("{} {} (temperature {} {:.6g})", address, level, word, milli);
        case BusDriver::iio:
            return fmt::format("{0} {1} ({2} {3:.6g} / in_{0}_scale)", address, level,
                               side.above ? "a code above" : "a code below", milli);
        case BusDriver::hwmon: {
            const double shown = unit == core::Unit::rpm ? side.level : milli;
            return fmt::format("{0} {1} ({0}_input {2} {3:.6g})", address, level, word, shown);
        }
        case BusDriver::contact: break;
    }
    return fmt::format("{} is open", channel.id);
}

std::string bound_sentence(const Configuration& configuration, const second_opinion::Bound& bound) {
    const core::LimitPlan& limit = configuration.plan.limits[bound.name];
    const std::string gate =
        bound.gate == second_opinion::none ? "" : ", while " + raw_words(configuration, bound.gate, bound.open);
    return fmt::format("Second opinion, {}: {}{}, for more than {} ({} and a round{}): inhibit.", limit.id,
                       raw_words(configuration, bound.sensor, bound.beyond), gate, show(bound.patience),
                       show(limit.qualify),
                       bound.patience - limit.qualify >
                               patient_round(configuration.buses[configuration.plan.channels[bound.sensor].sampler])
                           ? ", and the age for which a jump may be doubted"
                           : "");
}

}  // namespace

second_opinion::Bounds raw_bounds(const Configuration& configuration) {
    std::vector<second_opinion::Time> rounds;
    for (const BusConfig& bus : configuration.buses) rounds.push_back(patient_round(bus));
    return second_opinion::bounds_of(configuration.plan, rounds);
}

second_opinion::Monitor second_opinion_of(const Configuration& configuration) {
    const second_opinion::Bounds all = raw_bounds(configuration);
    return {all.sensors, all.bounds, all.supply_time};
}

std::vector<std::string> raw_bound_sentences(const Configuration& configuration) {
    const second_opinion::Bounds all = raw_bounds(configuration);
    std::vector<std::string> sentences, ages, without;
    for (const second_opinion::Bound& bound : all.bounds) sentences.push_back(bound_sentence(configuration, bound));
    for (std::size_t i = 0; i < all.sensors.size(); ++i) {
        if (all.sensors[i].age == second_opinion::never) continue;
        ages.push_back(fmt::format("{} for more than {}", configuration.plan.channels[i].id, show(all.sensors[i].age)));
    }
    if (!ages.empty()) sentences.push_back(fmt::format("Second opinion, silence: {}: inhibit.", fmt::join(ages, ", ")));
    for (const auto& entry : all.without)
        without.push_back(fmt::format("{} ({})", configuration.plan.limits[entry.limit].id, entry.why));
    if (!without.empty())
        sentences.push_back(fmt::format("The second opinion says nothing of {}.", fmt::join(without, ", ")));
    return sentences;
}

}  // namespace dekeyd::formats
