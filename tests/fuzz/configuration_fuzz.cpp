// The configuration: any text gives a configuration that can be run with, or at least one fault that can be shown.
// A text that begins with "calibration:" is read as a detector's file of calibration as well.
#include <algorithm>

#include "configuration/configuration.hpp"
#include "configuration/edit.hpp"
#include "configuration/parts.hpp"
#include "core/protection.hpp"
#include "fuzz.hpp"

using namespace dekeyd;

namespace {

void show(std::string_view text, const std::vector<formats::Fault>& faults) {
    const auto lines = static_cast<std::size_t>(std::count(text.begin(), text.end(), '\n')) + 1;
    std::size_t shown = 0;
    for (const formats::Fault& fault : faults) {
        fuzz::need(!fault.what.empty() && !fault.expected.empty(), "a fault says what, and what was expected");
        fuzz::need(fault.line <= lines, "a fault lies within the text");
        if (++shown <= 20) fuzz::need(!formats::render("file", text, fault).empty(), "a fault can be shown");
    }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const std::string_view text = fuzz::text_of(data, size);
    if (text.starts_with("calibration:")) {
        const formats::CalibrationText read = formats::read_calibration_text(text);
        show(text, read.faults);
        fuzz::need(!read.faults.empty() || read.calibration.points.size() >= 2, "a calibration has points");
    }
    const formats::Loaded loaded = formats::load_configuration(text, "/nowhere");
    fuzz::need(loaded.faults.empty() == loaded.configuration.has_value(), "a configuration, or faults");
    show(text, loaded.faults);
    if (!loaded.configuration) return 0;
    const formats::Configuration& configuration = *loaded.configuration;
    fuzz::need(!formats::summarise(configuration).empty(), "it can be told in sentences");
    core::Protection protection{configuration.plan, {}, false};  // throws where an index doesn't fit
    core::Instant now{std::chrono::seconds{1000}};
    for (int i = 0; i < 3; ++i, now += std::chrono::minutes{1}) {
        fuzz::need(!protection.step({.now = now, .scans = {}, .commands = {}, .line = {.known = true, .permit = false}})
                        .permit,
                   "nothing permits without readings");
    }
    for (const formats::BusConfig& bus : configuration.buses) {
        if (bus.slots.empty()) continue;
        formats::with_sensor_value(text, "", bus.slots.front().sensor, "address", "28-0000000000aa");
        break;
    }
    return 0;
}
