// The state file: what can't be read whole is latched; what can be read is written back the same.
#include "base/sealed.hpp"
#include "core/protection.hpp"
#include "fuzz.hpp"
#include "store/state_file.hpp"

using namespace dekeyd;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const core::Plan& plan = fuzz::annotated().plan;
    const std::string_view text = fuzz::text_of(data, size);
    const formats::StoredState state = formats::state_from_text(plan, text);
    const core::Memory& memory = state.memory;
    fuzz::need(memory.latched.size() == core::source_count(plan), "a latch for each source");
    fuzz::need(memory.trip_level >= core::Duration::zero(), "no negative count of trips");
    fuzz::need(memory.unclean_level >= core::Duration::zero(), "no negative count of unclean starts");

    const std::string again = formats::to_text(plan, state);
    const formats::StoredState same = formats::state_from_text(plan, again);
    fuzz::need(same.memory == memory && same.running == state.running && same.notes == state.notes,
               "it is written back the same");
    const bool whole = text.size() > 15 && text.ends_with('\n') &&
                       text.substr(text.size() - 15) ==
                           "crc32 " + formats::hex32(formats::crc32(text.substr(0, text.size() - 15))) + "\n";
    if (!whole) fuzz::need(memory.unreadable && state.running, "what is not whole is latched, and unclean");

    // Whatever it holds, the first decisions from it are well-defined, and inhibit.
    core::Protection protection{plan, memory, state.running};
    core::Instant now{std::chrono::seconds{1000}};
    for (int i = 0; i < 3; ++i, now += std::chrono::hours{1}) {
        const core::Decision decision =
            protection.step({.now = now, .scans = {}, .commands = {}, .line = {.known = true, .permit = false}});
        fuzz::need(!decision.permit, "nothing permits without readings");
    }
    return 0;
}

#ifdef DEKEYD_LIBFUZZER
extern "C" std::size_t LLVMFuzzerCustomMutator(std::uint8_t* data, std::size_t size, std::size_t most, unsigned seed) {
    return fuzz::mutate_and_seal(data, size, most, seed, [](std::string text) {
        const std::size_t end = text.rfind("crc32 ");
        if (end != std::string::npos) text.resize(end);
        return text + "crc32 " + formats::hex32(formats::crc32(text)) + "\n";
    });
}
#endif
