#include "messages/exposure_json.hpp"

#include <cmath>
#include <nlohmann/json.hpp>

#include "core/limit.hpp"
#include "maths/uncertainty.hpp"
#include "words/json_number.hpp"

namespace dekeyd::formats {
namespace {

using Json = nlohmann::ordered_json;

/// The most forward power that can stand in service: the lowest trip that nothing puts to rest, else the rated one.
double highest_forward_w(const core::Plan& plan) {
    return core::lowest_sure_trip(plan, plan.roles.forward, {}).value_or(plan.rf.rated_w);
}

/// Never the smaller of two distances: rounded up, to a tenth of a metre.
Json distance(const core::Exposure& exposure) {
    const bool told = exposure.distance_m < core::unbounded && exposure.zone != core::ExposureZone::none;
    return told ? Json(std::ceil(exposure.distance_m * 10.0) / 10.0) : Json(nullptr);
}

std::string_view where(const core::Exposure& exposure) {
    if (exposure.distance_m >= core::unbounded) return "unknown";
    if (exposure.zone != core::ExposureZone::none) return core::text(exposure.zone);
    return exposure.surface_exceeds ? "not before the dish, but at it" : "reached nowhere in front";
}

}  // namespace

core::ExposureInput exposure_input(const Configuration& configuration) {
    const core::Plan& plan = configuration.plan;
    const bool measured = plan.roles.forward && plan.channels[*plan.roles.forward].power;
    core::ExposureInput input;
    input.power_w = highest_forward_w(plan);
    input.uncertainty_db =
        measured ? core::power_budget_at(*plan.channels[*plan.roles.forward].power, input.power_w).combined_db : 0.0;
    input.feeder_loss_db = plan.rf.feeder_loss_db + plan.rf.main_line_loss_db;
    input.frequency_hz = configuration.frequency_hz.value_or(0.0);
    input.ground_factor = configuration.ground_factor;
    if (!configuration.antenna) return input;
    input.duty = configuration.antenna->duty;
    input.gain_dbi = configuration.antenna->gain_dbi;
    input.dish = configuration.antenna->dish;
    return input;
}

Json exposure_json(const Configuration& configuration) {
    if (!configuration.antenna) return nullptr;
    core::ExposureInput input = exposure_input(configuration);
    Json cases = Json::array();
    for (const ExposureCase& one : configuration.exposure) {
        input.limit_w_per_m2 = one.w_per_m2;
        const core::Exposure exposure = core::assess_exposure(input);
        cases.push_back({{"name", one.name},
                         {"w_per_m2", json_number(one.w_per_m2)},
                         {"averaging_s", one.averaging_s},
                         {"edition", one.edition},
                         {"distance_m", distance(exposure)},
                         {"where", where(exposure)}});
    }
    return {{"power_w", json_number(input.power_w)},
            {"uncertainty_db", json_number(input.uncertainty_db)},
            {"loss_db", json_number(input.feeder_loss_db)},
            {"gain_dbi", json_number(configuration.antenna->gain_dbi)},
            {"duty_percent", json_number(100.0 * input.duty)},
            {"ground_factor", input.ground_factor},
            {"eirp_w", json_number(core::assess_exposure(input).eirp_w)},
            {"formula", input.dish ? "FCC OET Bulletin 65, far field and aperture" : "FCC OET Bulletin 65, far field"},
            {"caution", core::exposure_caution},
            {"cases", std::move(cases)}};
}

}  // namespace dekeyd::formats
