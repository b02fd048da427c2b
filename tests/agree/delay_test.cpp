// The delay that `check` prints for a limit, against the delay itself: buses that read slot after slot in their own
// time, a guard that looks once a period, and a value that passes the trip at any moment of both.
#include <algorithm>
#include <cmath>
#include <functional>

#include "configuration/delay.hpp"
#include "configuration/parts.hpp"
#include "core/limit.hpp"
#include "station.hpp"

namespace {

using namespace agree;

/// The annotated amplifier with a circulator before its coupler, its load's limit beside the others.
const formats::Configuration& with_circulator() {
    static const formats::Configuration configuration = loaded(changed(
        changed(annotated_text(), "main_line: [amplifier, low-pass-filter,",
                "main_line: [amplifier, circulator, low-pass-filter,"),
        "# circulator: {load_rating: 60 W, load_time: 20 s}", "circulator: {load_rating: 8 W, load_time: 20 s}"));
    return configuration;
}

/// What the sensors see, by their ids, as time passes from the change on (negative: before it).
using World = std::function<double(const std::string& sensor, double since_s)>;

double usual(const std::string& sensor) {
    static const std::map<std::string, double> values{{"heatsink", 46.0}, {"ambient", 22.0}, {"forward", 20.0},
                                                      {"reflected", 0.1}, {"drive", 0.4},    {"supply", 28.0},
                                                      {"current", 8.0},   {"fan", 2400.0}};
    return values.at(sensor);
}

/// Reads each bus slot by slot, and hands over as the sampler does: a thermometer by itself. `offset_s` shifts the
/// buses against the change and each other.
class Buses {
public:
    Buses(const formats::Configuration& configuration, World world, double change_s, double offset_s)
        : configuration_{configuration},
          plan_{configuration.plan},
          world_{std::move(world)},
          change_s_{change_s},
          protection_{plan_, {}, false},
          slot_(configuration.buses.size()) {
        for (std::size_t bus = 0; bus < configuration.buses.size(); ++bus)
            begin_s_.push_back(std::fmod(offset_s * (1.0 + 0.37 * static_cast<double>(bus)), round_s(bus)));
    }
    /// When the limit's cause is active, in seconds after the change; none within `longest_s` of it.
    std::optional<double> trips_after(std::size_t limit, double longest_s) {
        double look_s = 0.0;
        while (look_s < change_s_ + longest_s) {
            // The next thing to happen: a bus has read its round, or the guard's period is over.
            std::size_t next = begin_s_.size();
            double at_s = look_s + core::seconds(configuration_.guard_period);
            for (std::size_t bus = 0; bus < begin_s_.size(); ++bus) {
                if (handed_s(bus) < at_s) {
                    at_s = handed_s(bus);
                    next = bus;
                }
            }
            std::vector<core::Sample> samples;
            std::vector<core::Scan> scans;
            if (next < begin_s_.size()) {
                samples = read(next);
                scans.push_back({.sampler = static_cast<std::uint16_t>(next), .samples = samples});
                const bool more = alone(next) && ++slot_[next] < samples.size();
                if (!more) {
                    slot_[next] = 0;
                    begin_s_[next] += round_s(next);
                }
            }
            look_s = at_s;
            protection_.step({.now = instant(at_s),
                              .scans = scans,
                              .commands = {},
                              .line = {.known = true, .permit = protection_.snapshot().permit}});
            if (protection_.snapshot().causes[limit].active && protection_.snapshot().state != core::State::starting)
                return at_s - change_s_;
        }
        return std::nullopt;
    }

private:
    [[nodiscard]] bool alone(std::size_t bus) const {
        return configuration_.buses[bus].driver == formats::BusDriver::w1 && !together(bus);
    }
    [[nodiscard]] bool together(std::size_t bus) const { return configuration_.buses[bus].convert_together; }
    [[nodiscard]] double handed_s(std::size_t bus) const {
        return begin_s_[bus] + (alone(bus) ? conversion_s(bus) * static_cast<double>(slot_[bus] + 1) : scan_s(bus));
    }
    [[nodiscard]] double conversion_s(std::size_t bus) const {
        return core::seconds(configuration_.buses[bus].conversion);
    }
    [[nodiscard]] double scan_s(std::size_t bus) const {
        // Of a common conversion: 20 ms for each thermometer that is read after it.
        const auto slots = static_cast<double>(configuration_.buses[bus].slots.size());
        return together(bus) ? conversion_s(bus) + 0.020 * slots : conversion_s(bus) * slots;
    }
    [[nodiscard]] double round_s(std::size_t bus) const {
        return core::seconds(formats::round_time(configuration_.buses[bus]));
    }
    static core::Instant instant(double at_s) {
        return core::Instant{1000s} + std::chrono::duration_cast<core::Duration>(std::chrono::duration<double>(at_s));
    }
    [[nodiscard]] std::vector<core::Sample> read(std::size_t bus) const {
        std::vector<core::Sample> samples;
        for (const formats::SlotConfig& slot : configuration_.buses[bus].slots) {
            const double at_s =
                begin_s_[bus] + (together(bus) ? 0.0 : conversion_s(bus) * static_cast<double>(samples.size()));
            const auto channel = std::find_if(plan_.channels.begin(), plan_.channels.end(),
                                              [&](const core::Channel& one) { return one.id == slot.sensor; });
            const double value = world_(slot.sensor, at_s - change_s_);
            const double native = channel->power
                                      ? core::detector_level(*channel->power, core::dbm_from_watts(value)).volts
                                      : value / channel->gain + channel->zero;
            if (alone(bus) && samples.size() != slot_[bus])
                samples.emplace_back();
            else
                samples.push_back({.value = native, .begun = instant(at_s), .fault = core::Fault::none});
        }
        return samples;
    }

    const formats::Configuration& configuration_;
    const core::Plan& plan_;
    World world_;
    double change_s_;
    core::Protection protection_;
    std::vector<double> begin_s_;
    std::vector<std::size_t> slot_;  ///< of a bus that hands over each by itself: the next
};

/// The sensor that is changed for a limit, and from what to what.
struct Change {
    std::string sensor;
    double from = 0.0, to = 0.0;
};
Change change_for(const core::Plan& plan, const core::LimitPlan& limit) {
    // 20 W forward: VSWR 2.0 is 11.1 % of it (trade facts).
    if (limit.watch == plan.index(core::Derived::vswr)) return {"reflected", 2.0, 2.5};
    if (limit.watch == plan.index(core::Derived::circulator_load)) return {"reflected", 0.1, 11.9};
    const bool above = limit.direction == core::Direction::above;
    // A heatsink doesn't jump.
    const double step = limit.id == "heatsink" ? 1.0 : 0.02 * limit.trip;
    return {plan.channels[limit.watch].id, limit.trip + (above ? -step : step), limit.trip + (above ? step : -step)};
}

/// The limit never takes longer than promised, nor much less.
void check_promise(const formats::Configuration& configuration, std::size_t i) {
    const core::Plan& plan = configuration.plan;
    const core::LimitPlan& limit = plan.limits[i];
    CAPTURE(limit.id);
    const Change change = change_for(plan, limit);
    const double promised_s = core::seconds(formats::worst_delay(configuration, limit).total());
    // The load's mean passes its trip after the time that an exponential takes: -tau ln(1 - trip / power).
    const bool load = limit.watch == plan.index(core::Derived::circulator_load);
    const double passes_s = load ? -20.0 * std::log(1.0 - limit.trip / change.to) : 0.0;
    double worst_s = 0.0;
    constexpr int tries = 60;
    for (int n = 0; n < tries; ++n) {
        const World world = [&](const std::string& sensor, double since_s) {
            if (sensor != change.sensor) return usual(sensor);
            return since_s < 0.0 ? change.from : change.to;
        };
        Buses buses{configuration, world, 20.0 + 0.0331 * n, 0.0473 * n};
        const auto delay_s = buses.trips_after(i, passes_s + promised_s + 5.0);
        REQUIRE(delay_s);
        worst_s = std::max(worst_s, *delay_s - passes_s);
    }
    CAPTURE(worst_s);
    CAPTURE(promised_s);
    CHECK(worst_s <= promised_s + 1e-9);
    // A promise that is far too long says nothing either.
    CHECK(worst_s >= 0.5 * promised_s);
}

}  // namespace

TEST_CASE("no limit takes longer than check says, whenever its value passes the trip") {
    const formats::Configuration& configuration = with_circulator();
    const core::Plan& plan = configuration.plan;
    for (std::size_t i = 0; i < plan.limits.size(); ++i) {
        const core::LimitPlan& limit = plan.limits[i];
        if (!core::may_trip(limit, {})) continue;
        check_promise(configuration, i);
    }
}

TEST_CASE("nor where thermometers convert together, by all their bits and by the fewest") {
    struct Row {
        const char* how;
        core::Duration promised;
    };
    // A round of 1 s, a conversion of 800 or 144 ms with two readings of 20 ms, 1 s to qualify, and the guard's 20 ms.
    for (const Row& row : {Row{"convert_together: yes", 2860ms}, Row{"convert_together: yes\n    bits: 9", 2204ms}}) {
        const formats::Configuration configuration =
            loaded(changed(annotated_text(), "    driver: w1\n", fmt::format("    driver: w1\n    {}\n", row.how)));
        const auto& limits = configuration.plan.limits;
        const auto heatsink =
            std::find_if(limits.begin(), limits.end(), [](const auto& one) { return one.id == "heatsink"; });
        REQUIRE(heatsink != limits.end());
        CHECK(formats::worst_delay(configuration, *heatsink).total() == row.promised);
        check_promise(configuration, static_cast<std::size_t>(heatsink - limits.begin()));
    }
}

TEST_CASE("the circulator's load is renewed once a second, and check says so") {
    const formats::Configuration& configuration = with_circulator();
    const auto& limits = configuration.plan.limits;
    const auto load =
        std::find_if(limits.begin(), limits.end(), [](const auto& one) { return one.id == "circulator-load"; });
    REQUIRE(load != limits.end());
    CHECK(load->trips);
    CHECK(load->rearm == core::Rearm::latched);
    CHECK(formats::worst_delay(configuration, *load).renewal == 1s);
    const auto all = formats::summarise(configuration);
    const bool said = std::any_of(all.begin(), all.end(), [](const std::string& sentence) {
        return sentence.find("circulator load is at or above 8 W") != std::string::npos &&
               sentence.find("At worst 1.0") != std::string::npos;
    });
    CHECK(said);
}
