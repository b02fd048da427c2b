#include "dekeyctl/look_back/replay.hpp"

#include <algorithm>
#include <chrono>
#include <istream>
#include <memory>

#include "words/event_text.hpp"

namespace dekeyd::ctl {
namespace {

constexpr std::size_t most_happenings = 2000;

double seconds(core::Duration duration) {
    return std::chrono::duration<double>(duration).count();
}

/// Follows who has the permit, step by step.
struct PermitWatch {
    std::optional<double> first_inhibit_s;
    std::uint64_t first_inhibit_step = 0;
    double permit_s = 0.0;
    bool permit = false;

    void see(bool now_permit, double at_s, double dt_s, std::uint64_t step) {
        if (permit) permit_s += dt_s;
        if (permit && !now_permit && !first_inhibit_s) {
            first_inhibit_s = at_s;
            first_inhibit_step = step;
        }
        permit = now_permit;
    }
};

std::string source_of(const core::Plan& plan, const core::Event& event) {
    return event.source == core::no_source ? std::string{} : std::string{core::describe_source(plan, event.source).id};
}

// Both list the same kind and source at the same step: one happening.
void add(std::vector<Happening>& list, std::size_t step_begin, const Happening& happening) {
    for (std::size_t i = step_begin; i < list.size(); ++i) {
        Happening& other = list[i];
        if (other.kind != happening.kind || other.source != happening.source) continue;
        other.in_recording = other.in_recording || happening.in_recording;
        other.in_replay = other.in_replay || happening.in_replay;
        return;
    }
    if (list.size() < most_happenings) list.push_back(happening);
}

}  // namespace

Replayer::Replayer(const formats::Configuration& configuration, const formats::CaptureReader& capture)
    : plan_{configuration.plan}, protection_{configuration.plan, {}, false} {
    const auto& recorded = capture.slots();
    const auto names = formats::slot_names(plan_);
    straight_ = names == recorded;
    for (const auto& of_sampler : names) {
        auto& sources = sources_.emplace_back();
        for (const std::string& name : of_sampler) {
            Source source;
            for (std::size_t sampler = 0; sampler < recorded.size() && !source.known && name != "-"; ++sampler) {
                const auto found = std::find(recorded[sampler].begin(), recorded[sampler].end(), name);
                if (found == recorded[sampler].end()) continue;
                source = {sampler, static_cast<std::size_t>(found - recorded[sampler].begin()), true};
            }
            if (!source.known && name != "-") missing_.push_back(name);
            sources.push_back(source);
        }
    }
    sound_ = protection_.take_state(capture.header().state);
    permit_ = recorded_permit_ = protection_.snapshot().permit;
    contactor_ = recorded_contactor_ = protection_.snapshot().contactor_closed;
}

core::Decision Replayer::step(const formats::RecordedStep& recorded) {
    core::StepInput input = recorded.input(scans_);
    if (!straight_) {
        scans_.clear();
        samples_.clear();
        samples_.reserve(recorded.scans.size() * sources_.size());
        for (const formats::RecordedScan& scan : recorded.scans) {
            for (std::size_t sampler = 0; sampler < sources_.size(); ++sampler) {
                const auto& sources = sources_[sampler];
                const bool any = std::any_of(sources.begin(), sources.end(),
                                             [&](const Source& s) { return s.known && s.sampler == scan.sampler; });
                if (!any) continue;
                auto& samples = samples_.emplace_back(sources.size());
                for (std::size_t slot = 0; slot < sources.size(); ++slot) {
                    const Source& from = sources[slot];
                    if (from.known && from.sampler == scan.sampler && from.slot < scan.samples.size()) {
                        samples[slot] = scan.samples[from.slot];
                    }
                }
                scans_.push_back({.sampler = static_cast<std::uint16_t>(sampler), .samples = samples});
            }
        }
        input.scans = scans_;
    }
    if (permit_ != recorded_permit_) input.line.permit = !input.line.permit;
    if (contactor_ != recorded_contactor_) input.contactor.permit = !input.contactor.permit;
    const core::Decision decision = protection_.step(input);
    permit_ = decision.permit;
    recorded_permit_ = recorded.permit;
    contactor_ = decision.contactor;
    recorded_contactor_ = recorded.contactor;
    return decision;
}

namespace {

/// Decides again, step by step: with the recording's own configuration, to check that the decisions are reproduced, and
/// with the one that is asked about.
class Comparison {
public:
    /// `then`: the recording's own; none: it can't be checked. All must outlive it.
    Comparison(const formats::Configuration& now, const formats::Configuration* then,
               const formats::CaptureReader& reader)
        : now_{now}, then_{then}, origin_{reader.header().origin}, other_{now, reader} {
        if (then != nullptr && !is_own()) check_ = std::make_unique<Replayer>(*then, reader);
        recorded_.permit = replayed_.permit = other_.protection().snapshot().permit;
    }
    [[nodiscard]] bool sound() const { return other_.sound() && (!check_ || check_->sound()); }

    void step(const formats::RecordedStep& step, ReplayReport& report) {
        if (report.steps == 0)
            first_ = last_ = step.now;
        else
            report.missing_steps += step.number - last_number_ - 1;
        const double at_s = seconds(step.now - origin_);
        const double dt_s = seconds(step.now - last_);
        const std::size_t begin = report.happenings.size();
        if (check_) {
            const core::Decision decision = check_->step(step);
            if (decision.permit != step.permit || decision.contactor != step.contactor) ++report.not_reproduced;
            tell(report, begin, at_s, then_->plan, check_->protection(), true);
        }
        const core::Decision decision = other_.step(step);
        if (is_own()) {
            if (decision.permit != step.permit || decision.contactor != step.contactor) ++report.not_reproduced;
            tell(report, begin, at_s, now_.plan, other_.protection(), true);
        }
        tell(report, begin, at_s, now_.plan, other_.protection(), false);
        if (decision.permit != step.permit) {
            ++report.differing_steps;
            if (!report.first_difference_s) report.first_difference_s = at_s;
        }
        recorded_.see(step.permit, at_s, dt_s, step.number);
        replayed_.see(decision.permit, at_s, dt_s, step.number);
        ++report.steps;
        last_ = step.now;
        last_number_ = step.number;
    }

    void sum_up(ReplayReport& report) const {
        report.length_s = seconds(last_ - first_);
        report.recorded_inhibit_s = recorded_.first_inhibit_s;
        report.replayed_inhibit_s = replayed_.first_inhibit_s;
        report.recorded_inhibit_step = recorded_.first_inhibit_step;
        report.replayed_inhibit_step = replayed_.first_inhibit_step;
        report.recorded_permit_s = recorded_.permit_s;
        report.replayed_permit_s = replayed_.permit_s;
    }
    [[nodiscard]] const std::vector<std::string>& missing_sensors() const { return other_.missing(); }

private:
    /// What is asked about is the recording's own: deciding once checks it, too.
    [[nodiscard]] bool is_own() const noexcept { return then_ == &now_; }
    static void tell(ReplayReport& report, std::size_t begin, double at_s, const core::Plan& plan,
                     core::Protection& protection, bool in_recording) {
        for (const core::Event& event : protection.events()) {
            add(report.happenings, begin,
                {.at_s = at_s,
                 .kind = std::string{core::text(event.kind)},
                 .source = source_of(plan, event),
                 .text = formats::sentence(plan, event, protection.snapshot().quantities),
                 .in_recording = in_recording,
                 .in_replay = !in_recording});
        }
    }

    const formats::Configuration& now_;
    const formats::Configuration* then_;
    core::Instant origin_;
    std::unique_ptr<Replayer> check_;
    Replayer other_;
    PermitWatch recorded_, replayed_;
    core::Instant first_{}, last_{};
    std::uint64_t last_number_ = 0;
};

}  // namespace

ReplayReport replay(std::istream& recording, const formats::Configuration* configuration) {
    ReplayReport report;
    const auto began = std::chrono::steady_clock::now();
    formats::CaptureReader reader{recording};
    report.header = reader.header();
    if (!reader.trouble().empty()) {
        report.trouble = reader.trouble();
        return report;
    }
    const formats::Loaded own = formats::load_configuration(reader.header().configuration, reader.header().folder);
    const formats::Configuration* then = own.configuration ? &*own.configuration : nullptr;
    if (configuration == nullptr) configuration = then;
    if (configuration == nullptr) {
        report.trouble = "the configuration in the file has faults for this program; give one with --config";
        return report;
    }
    Comparison comparison{*configuration, then, reader};
    if (!comparison.sound()) {
        report.trouble = "the state in the file is damaged, or of another version of dekeyd";
        return report;
    }
    report.checked = then != nullptr;
    report.missing_sensors = comparison.missing_sensors();
    formats::RecordedStep step;
    while (reader.next(step)) comparison.step(step, report);
    report.complete = reader.complete();
    report.trouble = reader.trouble();
    comparison.sum_up(report);
    report.took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
    return report;
}

}  // namespace dekeyd::ctl
