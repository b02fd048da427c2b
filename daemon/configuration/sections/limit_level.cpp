#include "configuration/sections/limit_level.hpp"

#include <vector>

#include "configuration/sensor_address.hpp"
#include "words/nearest.hpp"
#include "words/unit_table.hpp"

namespace dekeyd::formats {
namespace {

Sign sign_of(core::Unit unit) {
    return formats::row_of(unit).below_zero ? Sign::any : Sign::positive;
}

}  // namespace

std::optional<Watched> find_quantity(Section& section, std::string_view key, const Draft& draft) {
    const auto given = section.scalar(key);
    if (!given) return std::nullopt;
    const core::Plan& plan = draft.configuration.plan;
    std::vector<std::string_view> names;
    for (std::size_t i = 0; i < plan.quantity_count(); ++i) {
        const auto index = static_cast<core::QuantityIndex>(i);
        const core::QuantityInfo info = core::describe(plan, index);
        if (info.id == *given) {
            const bool channel = i < plan.channels.size();
            return Watched{
                .index = index, .unit = info.unit, .unit_known = !channel || draft.sensors[i].kind.has_value()};
        }
        names.push_back(info.id);
    }
    const auto near = nearest(*given, names);
    section.fault(key, fmt::format("there is no quantity '{}'", given->substr(0, 40)),
                  near ? fmt::format("did you mean '{}'?", *near)
                       : fmt::format("a sensor's id, or one that is worked out: {}", fmt::join(names, ", ")));
    return std::nullopt;
}

std::string_view kind_of(const Watched& watched, const core::Plan& plan) {
    if (core::roles_around(plan, watched.index).heatsink == watched.index) return "heatsink";
    if (watched.index < plan.channels.size()) return word(plan.channels[watched.index].kind);
    return core::describe(plan, watched.index).id;
}

std::optional<double> read_level(Section& section, std::string_view key, Need need, const Watched& watched,
                                 const Draft& draft) {
    const auto given = section.scalar(key, need);
    if (!given || !watched.unit_known) return std::nullopt;
    const core::Plan& plan = draft.configuration.plan;
    const bool supply = core::roles_around(plan, watched.index).is_supply(watched.index);
    if (supply && given->ends_with('%')) {
        const Quantity share = parse_quantity(*given, Dimension::percent);
        if (!share.good()) {
            section.fault(key, share.what, share.expected);
            return std::nullopt;
        }
        if (given->front() != '+' && given->front() != '-') {
            section.fault(key, fmt::format("'{}' does not say to which side of nominal", *given),
                          "a sign: '+10 %' or '-15 %', or a voltage");
            return std::nullopt;
        }
        const auto nominal_v = nominal_supply_v(draft, watched.index);
        if (!nominal_v) {
            const core::StagePlan* const stage = core::stage_of(plan, watched.index);
            section.fault(key, fmt::format("'{}' of a nominal supply that is not given", *given),
                          fmt::format("'nominal_supply: 28 V' under '{}:', or a voltage here",
                                      stage == nullptr ? "amplifier" : "stages." + stage->id));
            return std::nullopt;
        }
        return *nominal_v * (1.0 + share.value / 100.0);
    }
    return section.quantity(key, dimension_of(watched.unit), need, sign_of(watched.unit));
}

}  // namespace dekeyd::formats
