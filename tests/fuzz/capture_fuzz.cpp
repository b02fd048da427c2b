// A capture for replay: any bytes are read or refused, and what is read is decided with defined behaviour and can be
// written and read again.
#include <sstream>

#include "dekeyctl/look_back/replay.hpp"
#include "fuzz.hpp"
#include "store/captures/reader.hpp"

using namespace dekeyd;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    std::istringstream in{std::string{fuzz::text_of(data, size)}};
    formats::CaptureReader reader{in};
    if (!reader.trouble().empty()) return 0;
    const formats::Configuration& configuration = fuzz::annotated();
    ctl::Replayer replayer{configuration, reader};
    if (!replayer.sound()) return 0;
    formats::RecordedStep step;
    for (int steps = 0; steps < 200 && reader.next(step); ++steps) {
        replayer.step(step);
        const core::Snapshot& snapshot = replayer.protection().snapshot();
        fuzz::need(!snapshot.permit || snapshot.state == core::State::permitted, "permit only in its own state");
    }
    // What it came to is a state that is taken up again as it was.
    const std::string state = replayer.protection().state();
    core::Protection other{configuration.plan, {}, false};
    fuzz::need(other.take_state(state), "a state is taken up");
    fuzz::need(other.state() == state, "and is the same");
    return 0;
}
