// The same core over a capture or a recording: what a configuration would have done.
#pragma once

#include <cstdint>
#include <iosfwd>
#include <optional>
#include <string>
#include <vector>

#include "configuration/configuration.hpp"
#include "store/captures/reader.hpp"

namespace dekeyd::ctl {

/// One core that decides over the recorded steps again.
class Replayer {
public:
    /// `configuration` must outlive this. `slots`: the recording's.
    Replayer(const formats::Configuration& configuration, const formats::CaptureReader& capture);

    /// The recorded state didn't fit its own format.
    [[nodiscard]] bool sound() const noexcept { return sound_; }
    /// Sensors of this configuration of which the recording knows nothing.
    [[nodiscard]] const std::vector<std::string>& missing() const noexcept { return missing_; }
    /// Decides; the line that it is shown follows its own decisions as the recorded one followed the recorded ones.
    core::Decision step(const formats::RecordedStep& recorded);
    [[nodiscard]] core::Protection& protection() noexcept { return protection_; }

private:
    struct Source {
        std::size_t sampler = 0, slot = 0;
        bool known = false;
    };
    const core::Plan& plan_;
    core::Protection protection_;
    std::vector<std::vector<Source>> sources_;  ///< per sampler and slot of this plan
    std::vector<std::string> missing_;
    std::vector<std::vector<core::Sample>> samples_;  ///< room, one per scan of a step
    std::vector<core::Scan> scans_;
    bool sound_ = true;
    bool permit_ = false;           ///< own, last
    bool recorded_permit_ = false;  ///< the recording's, last
    bool contactor_ = false, recorded_contactor_ = false;
    bool straight_ = false;  ///< slots are the recording's own: nothing to look up
};

/// Something that happened in one of the two, in words.
struct Happening {
    double at_s = 0.0;  ///< from the recording's origin
    std::string kind;   ///< text of the event's kind
    std::string source;
    std::string text;
    bool in_recording = false;
    bool in_replay = false;
};

struct ReplayReport {
    std::string trouble;  ///< nothing could be replayed, or only a part
    formats::CaptureHeader header;
    std::uint64_t steps = 0;
    double length_s = 0.0;
    double took_s = 0.0;
    bool complete = false;  ///< the file was whole
    std::uint64_t missing_steps = 0;
    /// The recorded configuration, where the file has one that this program reads: decided again.
    bool checked = false;
    std::uint64_t not_reproduced = 0;  ///< steps decided otherwise than the guard did
    std::vector<std::string> missing_sensors;
    std::vector<Happening> happenings;
    std::uint64_t differing_steps = 0;  ///< between what was decided and this configuration
    std::optional<double> first_difference_s;
    std::optional<double> recorded_inhibit_s, replayed_inhibit_s;  ///< the first loss of the permit
    std::uint64_t recorded_inhibit_step = 0, replayed_inhibit_step = 0;
    double recorded_permit_s = 0.0, replayed_permit_s = 0.0;  ///< time with permit
};

/// `configuration`: nullptr for the one in the recording.
ReplayReport replay(std::istream& recording, const formats::Configuration* configuration);

}  // namespace dekeyd::ctl
