#include "recording/recorder.hpp"

#include <algorithm>
#include <utility>

#include "store/captures/outline.hpp"
#include "words/event_text.hpp"

namespace dekeyd {
namespace {

using namespace std::chrono_literals;

constexpr core::Duration state_every = 1s;
constexpr core::Duration longest_capture = 60s;  ///< after the trip, however many follow
constexpr core::Duration look_at_hour_every = 1s;
constexpr std::size_t most_kept = 200'000;  ///< steps; a bus gone wild shall not take the memory

constexpr std::size_t month_digits = 7;    // 2026-03
constexpr std::size_t hour_digits = 13;    // 2026-03-01T07
constexpr std::size_t second_digits = 19;  // 2026-03-01T07:08:09

}  // namespace

Recorder::Recorder(const formats::Configuration& configuration, std::string version, core::Memory memory,
                   bool unclean_start, WallClock wall, bool start_noted)
    : configuration_{configuration},
      plan_{configuration.plan},
      version_{std::move(version)},
      wall_{std::move(wall)},
      core_{std::make_unique<core::Protection>(plan_, std::move(memory), unclean_start, start_noted)},
      meter_{plan_},
      hours_{plan_} {}

void Recorder::follow(const formats::RecordedStep& step) {
    if (step.number > last_number_ + 1) lost_ += step.number - last_number_ - 1;
    last_number_ = step.number;
    keep(step);
    if (recording_wanted_) begin_recording(step);
    const core::Decision decision = core_->step(step.input(room_));
    if (decision.permit != step.permit) ++differing_;
    if (recording_) {
        recording_->add(step, &core_->snapshot());
        if (step.now >= recording_until_) {
            recording_->end();
            recording_ended_ = true;
        }
    }
    look_for_trip(step, std::exchange(permit_, step.permit));
    if (capture_ && step.now >= capture_->until) finish_capture();

    const core::Snapshot& after = core_->snapshot();
    const auto began = meter_.began();
    if (auto transmission = meter_.follow(after, core_->events())) {
        log_transmission(std::move(transmission), began.value_or(step.now));
    }
    log_hour(step.now);
    hours_.follow(after);
}

void Recorder::begin_recording(const formats::RecordedStep& step) {
    const formats::WallStamp stamp = wall_(step.now);
    recording_until_ = step.now + *std::exchange(recording_wanted_, std::nullopt);
    recording_ended_ = false;
    recording_.emplace(plan_, step.now);
    recording_->begin({.version = version_,
                       .id = configuration_.id,
                       .name = configuration_.name,
                       .kind = "recording",
                       .cause = "Asked for by an operator.",
                       .cause_step = 0,
                       .origin = step.now,
                       .origin_wall = formats::to_iso(stamp.since_1970),
                       .synchronised = stamp.synchronised,
                       .lost_before = lost_,
                       .state = core_->state(),
                       .configuration = configuration_.text,
                       .folder = configuration_.folder});
}

std::string Recorder::recorded(bool& ended) {
    ended = recording_ended_;
    if (!recording_) return {};
    std::string text = recording_->take();
    if (std::exchange(recording_ended_, false)) recording_.reset();
    return text;
}

// The first of the kept steps always has the state before it.
void Recorder::keep(const formats::RecordedStep& step) {
    Kept kept{.step = step, .state = {}};
    if (kept_.empty() || step.now >= next_state_) {
        kept.state = core_->state();
        next_state_ = step.now + state_every;
    }
    kept_.push_back(std::move(kept));
    if (capture_ && kept_.size() < most_kept) return;
    const core::Instant cut = step.now - configuration_.recorder.before;
    const auto has_state = [](const Kept& k) { return !k.state.empty(); };
    for (;;) {
        const auto next = std::find_if(kept_.begin() + 1, kept_.end(), has_state);
        if (next == kept_.end() || (next->step.now > cut && kept_.size() < most_kept)) return;
        kept_.erase(kept_.begin(), next);
    }
}

void Recorder::look_for_trip(const formats::RecordedStep& step, bool permitted_before) {
    const core::Event* found = nullptr;
    for (const core::Event& event : core_->events()) {
        const bool alarm = event.kind == core::EventKind::tripped &&
                           (event.source == core::source_of(plan_, core::Builtin::rf_while_inhibited) ||
                            event.source == core::source_of(plan_, core::Builtin::second_opinion));
        const bool trip = event.kind == core::EventKind::tripped && event.first_cause;
        if ((trip || alarm) && found == nullptr) found = &event;
    }
    // After lost steps the core here may not know why the guard tripped, but it did.
    const bool unexplained = differing_ > 0 && permitted_before && !step.permit && step.commands.empty();
    if (found == nullptr && !unexplained) return;
    if (!capture_) return begin_capture(step, found);
    capture_->until = std::min(step.now + configuration_.recorder.after, capture_->latest);
}

void Recorder::begin_capture(const formats::RecordedStep& step, const core::Event* event) {
    const formats::WallStamp stamp = wall_(step.now);
    const std::string cause = event == nullptr
                                  ? std::string{"The guard took the permit away; steps before it are missing."}
                                  : formats::sentence(plan_, *event, core_->snapshot().quantities);
    capture_ =
        Capture{.header = {.version = version_,
                           .id = configuration_.id,
                           .name = configuration_.name,
                           .kind = "trip",
                           .cause = cause,
                           .cause_step = step.number,
                           .origin = step.now,
                           .origin_wall = formats::to_iso(stamp.since_1970),
                           .synchronised = stamp.synchronised,
                           .lost_before = 0,
                           .state = {},
                           .configuration = configuration_.text,
                           .folder = configuration_.folder},
                .source = std::string{event == nullptr ? "unknown" : core::describe_source(plan_, event->source).id},
                .source_index = event == nullptr ? core::no_source : event->source,
                .until = step.now + configuration_.recorder.after,
                .latest = step.now + std::max(longest_capture, configuration_.recorder.after)};
}

void Recorder::finish_capture() {
    Capture capture = std::move(*capture_);
    capture_.reset();
    capture.header.lost_before = lost_;
    capture.header.state = kept_.front().state;
    core::Protection again{plan_, {}, false};
    again.take_state(capture.header.state);
    formats::CaptureWriter writer{plan_, capture.header.origin};
    writer.begin(capture.header);
    formats::CaptureOutline outline{plan_, capture.header.origin, kept_.front().step.now, kept_.back().step.now,
                                    capture.source_index};
    std::vector<core::Scan> room;
    for (const Kept& kept : kept_) {
        again.step(kept.step.input(room));
        writer.add(kept.step, &again.snapshot());
        outline.add(again.snapshot(), kept.step.permit);
    }
    writer.end();
    std::string name = capture.header.origin_wall.substr(0, second_digits);
    std::erase_if(name, [](char c) { return c == ':' || c == '-'; });
    ready_.push_back({.kind = Record::Kind::capture,
                      .name = name + "Z-" + capture.source,
                      .columns = {},
                      .text = std::move(writer.text()),
                      .outline = outline.text(capture.header)});
}

void Recorder::log_transmission(std::optional<formats::Transmission> transmission, core::Instant began) {
    if (!transmission) return;
    const formats::WallStamp stamp = wall_(began);
    transmission->start_utc = formats::to_iso(stamp.since_1970);
    transmission->synchronised = stamp.synchronised;
    Record& record = ready_.emplace_back();
    record.kind = Record::Kind::transmission;
    record.name = transmission->start_utc.substr(0, month_digits);
    record.columns = formats::transmission_columns();
    record.text = formats::to_row(*transmission);
    record.transmission = std::move(transmission);
}

void Recorder::log_hour(core::Instant now) {
    if (now < next_hour_look_) return;
    next_hour_look_ = now + look_at_hour_every;
    const std::string hour = formats::to_iso(wall_(now).since_1970).substr(0, hour_digits);
    if (hour_.empty()) hour_ = hour;
    if (hour == hour_) return;
    if (hours_.any()) {
        ready_.push_back({.kind = Record::Kind::hour,
                          .name = hour_.substr(0, month_digits),
                          .columns = hours_.columns(),
                          .text = hours_.row(hour_ + "Z"),
                          .outline = {}});
    }
    hour_ = hour;
}

void Recorder::stop() {
    if (capture_) finish_capture();
    const auto began = meter_.began();
    log_transmission(meter_.stop(), began.value_or(core::Instant{}));
    if (!hours_.any() || hour_.empty()) return;
    ready_.push_back({.kind = Record::Kind::hour,
                      .name = hour_.substr(0, month_digits),
                      .columns = hours_.columns(),
                      .text = hours_.row(hour_ + "Z"),
                      .outline = {}});
}

}  // namespace dekeyd
