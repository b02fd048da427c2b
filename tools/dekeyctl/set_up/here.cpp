#include "dekeyctl/set_up/here.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <filesystem>
#include <map>
#include <optional>
#include <set>
#include <utility>

#include "core/limit.hpp"
#include "dekeyctl/set_up/here_wire.hpp"
#include "drivers/find.hpp"
#include "drivers/identity.hpp"
#include "drivers/line.hpp"
#include "drivers/sensor.hpp"
#include "maths/correction.hpp"
#include "maths/rf.hpp"
#include "measure/channel_reader.hpp"
#include "words/figures.hpp"

namespace dekeyd::ctl {
namespace {

using core::Channel;
using core::ChannelKind;
using core::Fault;
using formats::BusConfig;
using formats::BusDriver;
using formats::SlotConfig;
using Pad = std::pair<std::string, unsigned>;

// Thermometers of one cold station; sun on one of them makes some 10 K.
constexpr double near_k = 15.0;

double seconds(std::chrono::steady_clock::duration time) {
    return std::chrono::duration<double>(time).count();
}

class Looker {
public:
    Looker(const formats::Configuration& configuration, const Machine& machine)
        : configuration_{configuration}, plan_{configuration.plan}, machine_{machine} {
        quantities_.resize(plan_.quantity_count());
    }

    Here look() {
        chips_ = machine_.gpio()->chips();
        output("line", configuration_.line);
        if (configuration_.contactor) output("contactor", *configuration_.contactor);
        if (configuration_.dynamic_permit) output("dynamic_permit", *configuration_.dynamic_permit);
        for (const BusConfig& bus : configuration_.buses) read(bus);
        for (std::size_t i = 0; i < plan_.channels.size(); ++i) judge(i);
        thermometers();
        limits();
        return std::move(here_);
    }

private:
    template <typename... Values>
    void amiss(fmt::format_string<Values...> format, Values&&... values) {
        here_.amiss.push_back(fmt::format(format, std::forward<Values>(values)...));
    }
    template <typename... Values>
    void seen(fmt::format_string<Values...> format, Values&&... values) {
        here_.seen.push_back(fmt::format(format, std::forward<Values>(values)...));
    }

    // ---- outputs: looked for, never requested ----------------------------------------------------------------------

    void output(const char* key, const formats::LineConfig& line) {
        if (line.driver == formats::LineDriver::file) {
            std::error_code error;
            const std::filesystem::path folder = std::filesystem::path{line.path}.parent_path();
            if (!std::filesystem::is_directory(folder.empty() ? "." : folder, error))
                amiss("{}: the folder of the file {} isn't there", key, line.path);
            else
                seen("{}: a file, {}, which protects nothing", key, line.path);
            return;
        }
        try {
            const drivers::ChosenLine chosen = drivers::choose_line(chips_, line.chip, line.line);
            const drivers::GpioLineInfo& info = chosen.chip->lines[chosen.offset];
            const std::string where = fmt::format("{} line {}", chosen.chip->name, chosen.offset);
            const auto [other, fresh] = outputs_.try_emplace(Pad{chosen.chip->name, chosen.offset}, key);
            if (!fresh) amiss("{} and {} are one pad, {}; expected a pad each", other->second, key, where);
            if (!chosen.chip->bus.empty())
                amiss(
                    "{}: {} is on {}, and a write to it can hang with its bus; expected a line of the processor "
                    "itself",
                    key, where, chosen.chip->bus);
            else if (info.used && info.consumer != drivers::gpio_consumer)
                amiss("{}: {} is held by {}; end that program, or choose another line", key, where,
                      info.consumer.empty() ? "another program or driver" : "'" + info.consumer + "'");
            else
                seen("{}: {} is {}, {}", key, line.line, where, info.used ? "held by dekeyd" : "free");
        } catch (const drivers::LineError& error) {
            amiss("{}: {}", key, error.what());
        }
    }

    // ---- sensors ---------------------------------------------------------------------------------------------------

    void read(const BusConfig& bus) {
        if (bus.slots.empty()) return;
        if (bus.driver != BusDriver::contact && bus.driver != BusDriver::w1 && !located(bus)) return;
        if (bus.driver == BusDriver::w1) look_at_writing(configuration_.sysfs_root, bus, machine_, here_);
        const auto begun = machine_.now();
        for (const SlotConfig& slot : bus.slots) {
            const auto index = channel(slot.sensor);
            if (!index || !tried_.insert(*index).second) continue;  // forward is read twice in a scan
            if (bus.driver == BusDriver::contact && !may_request(slot)) continue;
            try {
                take(*index, bus, slot);
            } catch (const std::invalid_argument& error) {
                amiss("{}: {}", plan_.channels[*index].name, error.what());
            }
        }
        // Read one after another here, where the guard may lose nothing by it.
        if (!machine_.guard_runs && !bus.convert_together) round_of(bus, seconds(machine_.now() - begun));
    }

    // One sentence for a chip, not one for each of its channels.
    bool located(const BusConfig& bus) {
        const bool iio = bus.driver == BusDriver::iio;
        const std::string folder = configuration_.sysfs_root + (iio ? "/bus/iio/devices" : "/class/hwmon");
        const drivers::Located found =
            drivers::locate(configuration_.sysfs_root, folder, iio ? "iio:device" : "hwmon", bus.device, bus.label);
        if (found.fault == Fault::none) return true;
        std::vector<std::string> names;
        for (const drivers::FoundDevice& device : devices(bus)) names.push_back(device.name);
        const std::string others = found.fault == Fault::wrong_device ? ""
                                   : names.empty()                    ? "; there is none at all: is its driver loaded?"
                                                   : fmt::format("; there are: {}", fmt::join(names, ", "));
        amiss("bus '{}': {}{}", bus.id, found.note, others);
        return false;
    }

    [[nodiscard]] std::vector<drivers::FoundDevice> devices(const BusConfig& bus) const {
        return bus.driver == BusDriver::iio ? drivers::find_iio(configuration_.sysfs_root)
                                            : drivers::find_hwmon(configuration_.sysfs_root);
    }

    // A contact is read by a request of its pad as an input. Not where that would take an output of ours, or what
    // another program holds.
    bool may_request(const SlotConfig& slot) {
        if (slot.address.starts_with("file:")) return true;
        const std::string& name = plan_.channels[*channel(slot.sensor)].name;
        try {
            const drivers::ChosenLine chosen = drivers::choose_line(chips_, slot.chip, slot.address);
            const drivers::GpioLineInfo& info = chosen.chip->lines[chosen.offset];
            const std::string where = fmt::format("{} line {}", chosen.chip->name, chosen.offset);
            const Pad pad{chosen.chip->name, chosen.offset};
            if (const auto other = outputs_.find(pad); other != outputs_.end()) {
                amiss("{}: {} is the pad of '{}'; expected a pad of its own", name, where, other->second);
                return false;
            }
            if (const auto [other, fresh] = contacts_.try_emplace(pad, name); !fresh) {
                amiss("{} and {} are one pad, {}; expected a pad each", other->second, name, where);
                return false;
            }
            if (!info.used) return true;
            if (info.consumer == drivers::gpio_consumer)
                here_.unseen.push_back(
                    fmt::format("{}: dekeyd holds its pad; 'dekeyctl status --all' shows what it reads", name));
            else
                amiss("{}: {} is held by {}; end that program, or choose another line", name, where,
                      info.consumer.empty() ? "another program or driver" : "'" + info.consumer + "'");
        } catch (const drivers::LineError& error) {
            amiss("{}: {}", name, error.what());
        }
        return false;
    }

    [[nodiscard]] std::unique_ptr<drivers::Sensor> sensor(const BusConfig& bus, const SlotConfig& slot) const {
        const std::string& root = configuration_.sysfs_root;
        switch (bus.driver) {
            case BusDriver::w1: return drivers::make_w1_sensor(root, slot.address);
            case BusDriver::iio:
                return drivers::make_iio_sensor(root, {.device = bus.device,
                                                       .label = bus.label,
                                                       .channel = slot.address,
                                                       .lowest_code = bus.lowest_code.value_or(0.0),
                                                       .highest_code = bus.highest_code.value_or(0.0)});
            case BusDriver::hwmon:
                return drivers::make_hwmon_sensor(root,
                                                  {.chip = bus.device, .label = bus.label, .channel = slot.address});
            case BusDriver::contact: break;
        }
        const drivers::ContactAddress address{.chip = slot.chip,
                                              .line = slot.address,
                                              .wiring = drivers::ContactWiring::to_ground,
                                              .normally_closed = slot.normally_closed};
        return slot.address.starts_with("file:") ? drivers::make_contact_sensor(root, address)
                                                 : drivers::make_gpio_contact(address, machine_.gpio());
    }

    void take(std::uint16_t index, const BusConfig& bus, const SlotConfig& slot) {
        const Channel& of = plan_.channels[index];
        const auto driver = sensor(bus, slot);
        driver->refresh();
        core::Sample sample = driver->read();
        const auto power_on = [&] { return of.power_on_value && sample.value == *of.power_on_value; };
        if (sample.fault == Fault::none && power_on()) {
            sample = driver->read();
            if (power_on()) {
                amiss("{} ({}) says {} twice, its value before a first conversion: does it have its supply?", of.name,
                      slot.address, formats::with_unit(sample.value, core::unit_of(of.kind)));
                return;
            }
        }
        if (sample.fault != Fault::none) {
            amiss("{} ({}): {}{}", of.name, driver->where(), core::text(sample.fault), hint(sample.fault, bus, slot));
            return;
        }
        taken_[index] = sample;
        quantities_[index] = core::ChannelReader{of}.convert(sample, std::nullopt);
    }

    [[nodiscard]] std::string hint(Fault fault, const BusConfig& bus, const SlotConfig& slot) const {
        if (fault == Fault::no_permission) return "; use sudo, or join the group that may read it";
        if (fault == Fault::saturated_low || fault == Fault::saturated_high)
            return "; is it unplugged, or is its range too small for the sensor?";
        if (fault == Fault::chip_fault) return "; is the sensor at its input plugged in?";
        if (fault != Fault::absent) return "";
        std::vector<std::string> there;
        if (bus.driver == BusDriver::w1) {
            for (const drivers::FoundW1& one : drivers::find_w1(configuration_.sysfs_root)) {
                if (one.id == slot.address) return "; it is on the bus, and is no thermometer that the kernel can read";
                if (one.temperature) there.push_back(one.id);
            }
            return there.empty() ? "; no thermometer is on the bus"
                                 : fmt::format("; on the bus are: {}", fmt::join(there, ", "));
        }
        if (bus.driver == BusDriver::contact) return "";
        for (const drivers::FoundDevice& device : devices(bus))
            if (device.name == bus.device) there.insert(there.end(), device.channels.begin(), device.channels.end());
        return fmt::format("; {} has: {}", bus.device, fmt::join(there, ", "));
    }

    void round_of(const BusConfig& bus, double taken_s) {
        const double round_s = taken_s + seconds(bus.period);
        for (const SlotConfig& slot : bus.slots) {
            const Channel& of = plan_.channels[*channel(slot.sensor)];
            if (!of.required || round_s < seconds(of.allowed_age)) continue;
            amiss(
                "bus '{}': a round took {:.1f} s with its period, and {} may be {:.1f} s old at most: it would be "
                "lost again and again",
                bus.id, round_s, of.name, seconds(of.allowed_age));
            return;
        }
    }

    // ---- what they read at rest
    // --------------------------------------------------------------------------------------

    void judge(std::size_t index) {
        const auto sample = taken_.find(static_cast<std::uint16_t>(index));
        if (sample == taken_.end()) return;
        const Channel& of = plan_.channels[index];
        const core::Reading& reading = quantities_[index];
        if (of.valid_low < of.valid_high &&
            (sample->second.value < of.valid_low || sample->second.value > of.valid_high)) {
            const core::Unit unit = of.power ? core::Unit::volt : core::unit_of(of.kind);
            amiss("{}: its sensor gives {}, outside its window of {} .. {}: is it unplugged, or another part?", of.name,
                  formats::with_unit(sample->second.value, unit), formats::with_unit(of.valid_low, unit),
                  formats::with_unit(of.valid_high, unit));
            quantities_[index] = {};
            return;
        }
        if (of.power) return power(index, sample->second.value);
        if (of.kind == ChannelKind::contact) return contact(index);
        seen("{}: {}", of.name, formats::in_words(reading, core::unit_of(of.kind)));
    }

    void power(std::size_t index, double volts) {
        const Channel& of = plan_.channels[index];
        const core::Reading& reading = quantities_[index];
        const core::Roles& roles = plan_.roles;
        const double expected = index == roles.forward     ? plan_.rf.rf_present_w
                                : index == roles.reflected ? plan_.rf.reflected_is_rf_w()
                                : index == roles.drive     ? plan_.rf.drive_absent_w
                                                           : 0.0;
        const bool quiet = reading.health == core::Health::at_floor ||
                           (reading.health == core::Health::good && (expected <= 0.0 || reading.value < expected));
        const std::string words = formats::in_words(reading, core::Unit::watt);
        const std::string shown = fmt::format("its detector gives {:.3f} V", volts);
        if (quiet) {
            seen("{}: {} ({})", of.name, words, shown);
            return;
        }
        // By its law: which end of the detector's range is it nearer to?
        const double at_floor = core::chain_volts(*of.power, of.power->floor_dbm);
        const double at_ceiling = core::chain_volts(*of.power, of.power->ceiling_dbm);
        if (std::abs(volts - at_ceiling) < std::abs(volts - at_floor))
            amiss(
                "{}: {} at rest; {}, and by its law power {} its volts: is the sign of its slope wrong, or is RF "
                "there?",
                of.name, words, shown, core::falls_with_power(of.power->detector) ? "lowers" : "raises");
        else
            amiss(
                "{}: {} at rest, and from {} on it counts as RF; {}: is RF there, or is it another part, or another "
                "channel?",
                of.name, words, formats::with_unit(expected, core::Unit::watt), shown);
    }

    void contact(std::size_t index) {
        const Channel& of = plan_.channels[index];
        const bool normal = quantities_[index].value >= 0.5;
        const core::Roles& roles = plan_.roles;
        const std::string_view now = normal != of.normally_open ? "closed" : "open";
        const auto say = [&](bool good, std::string_view how_to_mend) {
            if (good)
                seen("{}: {}", of.name, now);
            else
                amiss("{} is {}; {}", of.name, now, how_to_mend);
        };
        if (index == roles.key_sense) return say(true, "");
        if (index == roles.enable_sense)
            return say(!normal,
                       "expected no enable voltage while nothing permits: does the contact stick, or is its "
                       "'normally:' the other way round?");
        if (index == roles.contactor_sense)
            return say(normal,
                       "expected as it is while the contactor is open: is the contactor welded, or its "
                       "'normally:' the other way round?");
        say(normal, of.normally_open
                        ? "expected open, as it is while all is well: close what it watches, or 'normally: closed'"
                        : "expected closed, as it is while all is well: close what it watches, look for a cut wire, or "
                          "'normally: open'");
    }

    void thermometers() {
        std::vector<std::pair<double, std::string>> read;
        for (std::size_t i = 0; i < plan_.channels.size(); ++i)
            if (plan_.channels[i].kind == ChannelKind::temperature && quantities_[i].measured())
                read.emplace_back(quantities_[i].value, plan_.channels[i].name);
        if (read.size() < 2) return;
        std::sort(read.begin(), read.end());
        const auto& [lowest, low_name] = read.front();
        const auto& [highest, high_name] = read.back();
        if (highest - lowest <= near_k) return;
        amiss("{} shows {} and {} {}: more than {:.0f} K apart in a cold station; is one of them elsewhere, or broken?",
              low_name, formats::with_unit(lowest, core::Unit::celsius), high_name,
              formats::with_unit(highest, core::Unit::celsius), near_k);
    }

    // What would trip as it stands. RF's own limits have nothing to say of a station at rest.
    void limits() {
        const bool supplied = !configuration_.contactor;
        for (const core::LimitPlan& limit : plan_.limits) {
            if (!limit.trips || limit.provisional || limit.watch >= plan_.channels.size()) continue;
            const Channel& of = plan_.channels[limit.watch];
            const core::Reading& reading = quantities_[limit.watch];
            if (of.power || of.kind == ChannelKind::contact || !reading.measured()) continue;
            const core::Standing standing =
                core::standing(limit, {.commissioning = false, .supplied = supplied, .quantities = quantities_});
            if (standing != core::Standing::watches) continue;
            const core::Verdict verdict = core::verdict_of(limit, standing, reading, true);
            const core::Unit unit = core::unit_of(of.kind);
            const char* const beyond = limit.direction == core::Direction::above ? "at or above" : "at or below";
            if (verdict == core::Verdict::outside)
                amiss("{} reads {} at rest, and '{}' trips {} {}", of.name, formats::with_unit(reading.value, unit),
                      limit.id, beyond, formats::with_unit(limit.trip, unit));
            else if (verdict == core::Verdict::band && limit.clear_by == core::ClearBy::level)
                amiss("{} reads {} at rest, and '{}' clears only at {}", of.name,
                      formats::with_unit(reading.value, unit), limit.id, formats::with_unit(limit.clear, unit));
        }
    }

    [[nodiscard]] std::optional<std::uint16_t> channel(const std::string& id) const {
        for (std::size_t i = 0; i < plan_.channels.size(); ++i)
            if (plan_.channels[i].id == id) return static_cast<std::uint16_t>(i);
        return std::nullopt;
    }

    const formats::Configuration& configuration_;
    const core::Plan& plan_;
    const Machine& machine_;
    std::vector<drivers::GpioChip> chips_;
    std::map<Pad, std::string> outputs_, contacts_;
    std::set<std::uint16_t> tried_;
    std::map<std::uint16_t, core::Sample> taken_;
    std::vector<core::Reading> quantities_;
    Here here_;
};

}  // namespace

Here look_here(const formats::Configuration& configuration, const Machine& machine) {
    return Looker{configuration, machine}.look();
}

}  // namespace dekeyd::ctl
