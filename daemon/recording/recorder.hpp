// The recorder: decides once more, behind the guard, from the step queue. So it knows every step's readings, not only
// the newest snapshot's, and has at hand what a capture needs. It touches no disk and reads no clock but the one it is
// given.
#pragma once

#include <deque>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "base/wall_time.hpp"
#include "configuration/configuration.hpp"
#include "core/protection.hpp"
#include "store/captures/writer.hpp"
#include "store/hourly_log.hpp"
#include "store/transmission_log.hpp"

namespace dekeyd {

/// Something for the disk.
struct Record {
    enum class Kind : std::uint8_t { capture, transmission, hour } kind = Kind::capture;
    std::string name;     ///< capture: what the file's name tells; else the month, "2026-03"
    std::string columns;  ///< of a log
    std::string text;     ///< the whole file, or one row
    std::string outline;  ///< of a capture: its curves, as one message
    std::optional<formats::Transmission> transmission{};  ///< what the row says
};

class Recorder {
public:
    using WallClock = std::function<formats::WallStamp(core::Instant)>;

    /// `memory`, `unclean_start` and `start_noted`: as the guard's own core was given. `configuration` must outlive
    /// this.
    Recorder(const formats::Configuration& configuration, std::string version, core::Memory memory, bool unclean_start,
             WallClock wall, bool start_noted = true);

    /// One decision of the guard's, in order. What became ready is in ready().
    void follow(const formats::RecordedStep& step);
    /// Ends what is being gathered: a capture with what there is, the transmission, the part of the hour.
    void stop();

    /// From the next step on everything goes to recorded() too, for so long.
    void start_recording(core::Duration length) noexcept { recording_wanted_ = length; }
    void stop_recording() noexcept { recording_.reset(); }
    /// What has been written of it since the last time; `ended`: nothing follows.
    std::string recorded(bool& ended);
    [[nodiscard]] std::vector<Record>& ready() noexcept { return ready_; }
    /// Steps that never came.
    [[nodiscard]] std::uint64_t lost() const noexcept { return lost_; }
    /// Steps that were decided otherwise here: only after lost ones, or by a fault.
    [[nodiscard]] std::uint64_t differing() const noexcept { return differing_; }
    [[nodiscard]] const core::Snapshot& snapshot() noexcept { return core_->snapshot(); }

private:
    struct Kept {
        formats::RecordedStep step;
        std::string state;  ///< before the step; empty but about once a second
    };
    void keep(const formats::RecordedStep& step);
    void look_for_trip(const formats::RecordedStep& step, bool permitted_before);
    void begin_capture(const formats::RecordedStep& step, const core::Event* event);
    void finish_capture();
    void log_transmission(std::optional<formats::Transmission> transmission, core::Instant began);
    void log_hour(core::Instant now);
    void begin_recording(const formats::RecordedStep& step);

    const formats::Configuration& configuration_;
    const core::Plan& plan_;
    std::string version_;
    WallClock wall_;
    std::unique_ptr<core::Protection> core_;
    std::vector<core::Scan> room_;
    std::deque<Kept> kept_;
    core::Instant next_state_{};
    std::uint64_t last_number_ = 0;
    std::uint64_t lost_ = 0;
    std::uint64_t differing_ = 0;
    bool permit_ = false;
    struct Capture {
        formats::CaptureHeader header;
        std::string source;
        core::SourceIndex source_index = core::no_source;
        core::Instant until{};
        core::Instant latest{};
    };
    std::optional<Capture> capture_;
    std::optional<core::Duration> recording_wanted_;
    std::optional<formats::CaptureWriter> recording_;
    core::Instant recording_until_{};
    bool recording_ended_ = false;
    formats::TransmissionMeter meter_;
    formats::HourMeter hours_;
    core::Instant next_hour_look_{};
    std::string hour_;  ///< the one being gathered, "2026-03-01T07"
    std::vector<Record> ready_;
};

}  // namespace dekeyd
