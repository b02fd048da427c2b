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
    std::unique_ptr<Replayer> check;
    if (then != nullptr) check = std::make_unique<Replayer>(*then, reader);
    Replayer other{*configuration, reader};
    if (!other.sound() || (check && !check->sound())) {
        report.trouble = "the state in the file is damaged, or of another version of dekeyd";
        return report;
    }
    report.checked = check != nullptr;
    report.missing_sensors = other.missing();

    PermitWatch recorded_watch, replayed_watch;
    recorded_watch.permit = replayed_watch.permit = other.protection().snapshot().permit;
    formats::RecordedStep step;
    core::Instant first{}, last{};
    std::uint64_t last_number = 0;
    while (reader.next(step)) {
        if (report.steps == 0) {
            first = last = step.now;
        } else {
            report.missing_steps += step.number - last_number - 1;
        }
        const double at_s = seconds(step.now - report.header.origin);
        const double dt_s = seconds(step.now - last);
        const std::size_t begin = report.happenings.size();
        const auto tell = [&](const core::Plan& plan, const core::Protection& protection, bool in_recording) {
            for (const core::Event& event : protection.events()) {
                add(report.happenings, begin,
                    {.at_s = at_s,
                     .kind = std::string{core::text(event.kind)},
                     .source = source_of(plan, event),
                     .text = formats::sentence(plan, event, protection.snapshot().quantities),
                     .in_recording = in_recording,
                     .in_replay = !in_recording});
            }
        };
        if (check) {
            const core::Decision decision = check->step(step);
            if (decision.permit != step.permit || decision.contactor != step.contactor) ++report.not_reproduced;
            tell(then->plan, check->protection(), true);
        }
        const core::Decision decision = other.step(step);
        tell(configuration->plan, other.protection(), false);
        if (decision.permit != step.permit) {
            ++report.differing_steps;
            if (!report.first_difference_s) report.first_difference_s = at_s;
        }
        recorded_watch.see(step.permit, at_s, dt_s, step.number);
        replayed_watch.see(decision.permit, at_s, dt_s, step.number);
        ++report.steps;
        last = step.now;
        last_number = step.number;
    }
    report.complete = reader.complete();
    report.trouble = reader.trouble();
    report.length_s = seconds(last - first);
    report.recorded_inhibit_s = recorded_watch.first_inhibit_s;
    report.replayed_inhibit_s = replayed_watch.first_inhibit_s;
    report.recorded_inhibit_step = recorded_watch.first_inhibit_step;
    report.replayed_inhibit_step = replayed_watch.first_inhibit_step;
    report.recorded_permit_s = recorded_watch.permit_s;
    report.replayed_permit_s = replayed_watch.permit_s;
    report.took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
    return report;
}

}  // namespace dekeyd::ctl
