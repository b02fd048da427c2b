#include "soak/troubles.hpp"

namespace dekeyd::soak {
namespace {

const std::vector<const char*> adc{"forward", "reflected", "drive"};
const std::vector<const char*> psu{"supply", "current"};

Trouble outside(const char* name, const char* begin, const char* end) {
    return {.name = name, .begin = {begin}, .end = {end}, .world = true};
}
Trouble sensor(const char* name, const char* begin, const char* end, std::vector<const char*> lies) {
    return {.name = name, .begin = {begin}, .end = {end}, .lies = std::move(lies)};
}
Trouble wiring(const char* name, Lie lie, std::vector<const char*> lies) {
    return {.name = name, .begin = {}, .end = {}, .lies = std::move(lies), .lie = lie};
}
Trouble pad(const char* name, PadFault fault) {
    return {.name = name, .begin = {}, .end = {}, .pad = fault};
}
Trouble contactor(const char* name, PadFault fault) {
    return {.name = name, .begin = {}, .end = {}, .contactor = fault};
}
Trouble contact(const char* name, ContactFault fault, const char* sensor) {
    return {.name = name, .begin = {}, .end = {}, .lies = {sensor}, .contact = fault};
}
Trouble erratic(Trouble trouble) {
    trouble.erratic = true;
    return trouble;
}
Trouble disk(const char* name, DiskFault fault) {
    return {.name = name, .begin = {}, .end = {}, .disk = fault};
}

}  // namespace

const std::vector<Trouble>& amplifier_troubles() {
    static const std::vector<Trouble> all{
        outside("antenna open", "antenna open", "antenna good"),
        outside("antenna wet", "antenna wet over 20 s", "antenna good"),
        outside("antenna short", "antenna short", "antenna good"),
        outside("antenna bent", "antenna vswr 3.5 over 2 s", "antenna good"),
        outside("fan stops", "fan stop", "fan run"),
        outside("overdrive", "drive 3.5 W", "drive 1.4 W"),
        outside("supply high", "supply 32 V", "supply 28 V"),
        outside("supply low", "supply 22 V", "supply 28 V"),
        outside("hot air", "ambient 58 C", "ambient 20 C"),
        {.name = "exciter never pauses", .begin = {}, .end = {}, .world = true, .from_start = true, .sends = true},
        {.name = "relay welds", .begin = {"relay welded"}, .end = {"relay good"}, .world = true, .welds = true},
        {.name = "relay welds behind a dead detector",
         .begin = {"relay welded", "antenna vswr 1.9 over 2 s"},
         .end = {"relay good", "antenna good"},
         .world = true,
         .welds = true,
         .lies = {"forward"},
         .lie = Lie::forward_dead},
        sensor("thermometer gone", "sensor heatsink absent", "sensor heatsink good", {"heatsink"}),
        sensor("thermometer empty", "sensor heatsink empty", "sensor heatsink good", {"heatsink"}),
        sensor("thermometer garbage", "sensor heatsink garbage", "sensor heatsink good", {"heatsink"}),
        sensor("thermometer CRC", "sensor heatsink crc", "sensor heatsink good", {"heatsink"}),
        erratic(sensor("thermometer power-on", "sensor heatsink 85", "sensor heatsink good", {"heatsink"})),
        sensor("thermometer jams", "sensor heatsink jammed", "sensor heatsink good", {"heatsink", "ambient", "flange"}),
        erratic(sensor("thermometer with RF", "sensor heatsink rf-noise", "sensor heatsink good", {"heatsink"})),
        erratic(wiring("thermometer alternates", Lie::heatsink_alternates, {"heatsink"})),
        {.name = "thermometer never measures",
         .begin = {},
         .end = {},
         .lies = {"flange"},
         .lie = Lie::flange_power_on,
         .from_start = true,
         .erratic = true},
        {.name = "compensation lost in heat",
         .begin = {"ambient 58 C", "sensor air absent"},
         .end = {"ambient 20 C", "sensor air good"},
         .world = true,
         .lies = {"ambient"}},
        sensor("compensation lost", "sensor air absent", "sensor air good", {"ambient"}),
        sensor("converter gone", "adc absent", "adc good", adc),
        sensor("converter jams", "adc jammed", "adc good", adc),
        sensor("converter stuck", "adc stuck", "adc good", adc),
        sensor("converter railed", "adc railed", "adc good", adc),
        sensor("converter zero", "adc zero", "adc good", adc),
        wiring("converter's scale is zero", Lie::scale_zero, adc),
        wiring("converter's scale is negative", Lie::scale_negative, adc),
        sensor("forward cable out", "detector forward unplugged", "detector forward good", {"forward"}),
        sensor("reflected cable out", "detector reflected unplugged", "detector reflected good", {"reflected"}),
        wiring("coupler's cables swapped", Lie::coupler_swapped, {"forward", "reflected"}),
        {.name = "coupler's cables swapped at low power",
         .begin = {"drive 0.08 W"},
         .end = {"drive 1.4 W"},
         .world = true,
         .lies = {"forward", "reflected"},
         .lie = Lie::coupler_swapped},
        wiring("forward detector at its floor", Lie::forward_dead, {"forward"}),
        wiring("reflected detector at its floor", Lie::reflected_dead, {"reflected"}),
        wiring("forward detector the wrong way round", Lie::forward_reversed, {"forward"}),
        sensor("supply chip gone", "psu absent", "psu good", psu),
        sensor("supply chip garbage", "psu garbage", "psu good", psu),
        sensor("fan chip gone", "fan absent", "fan good", {"fan"}),
        wiring("probe gone", Lie::probe_gone, {"exciter"}),
        contact("lid opens", ContactFault::lid_opens, "lid"),
        contact("lid shakes", ContactFault::lid_shakes, "lid"),
        contact("leak", ContactFault::leak, "leak"),
        contact("drips", ContactFault::drips, "leak"),
    };
    return all;
}

const std::vector<Trouble>& computer_troubles() {
    static const std::vector<Trouble> all{
        pad("pad refuses a write", PadFault::refuses),
        pad("pad sticks at permit", PadFault::stuck_permit),
        pad("pad sticks at inhibit", PadFault::stuck_inhibit),
        pad("pad is late", PadFault::late),
        contactor("contactor sticks closed", PadFault::stuck_permit),
        contactor("contactor sticks open", PadFault::stuck_inhibit),
        contactor("contactor refuses a write", PadFault::refuses),
        {.name = "contactor's contacts weld",
         .begin = {},
         .end = {},
         .contact = ContactFault::contactor_welds,
         .from_start = true},
        {.name = "contactor's coil breaks", .begin = {}, .end = {}, .contact = ContactFault::contactor_never_closes},
        {.name = "machine sleeps", .begin = {}, .end = {}, .sleeps = true},
        disk("storage stalls", DiskFault::stalled),
        disk("storage is full", DiskFault::full),
        disk("storage turns read-only", DiskFault::read_only),
        disk("storage never syncs", DiskFault::failing_sync),
    };
    return all;
}

const Trouble* find_trouble(std::string_view name) {
    for (const auto* all : {&amplifier_troubles(), &computer_troubles()}) {
        for (const Trouble& trouble : *all) {
            if (name == trouble.name) return &trouble;
        }
    }
    return nullptr;
}

}  // namespace dekeyd::soak
