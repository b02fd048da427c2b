// The state of the protection as text, so that a capture can be replayed to the same bits.
#include <algorithm>

#include "core/protection.hpp"
#include "plan/state_words.hpp"

namespace dekeyd::core {

namespace {

template <class... T>
void line(std::string& out, std::string_view kind, std::string_view id, const T&... values) {
    out.append(kind);
    if (!id.empty()) out.append(1, ':').append(id);
    StateWriter{out}(values...);
    out.append(1, '\n');
}

template <class... T>
bool read(std::string_view words, T&... values) {
    StateReader reader{words};
    reader(values...);
    return reader.complete();
}

constexpr std::string_view cause_prefix = "cause-";

constexpr std::size_t not_found = static_cast<std::size_t>(-1);

template <class List>
std::size_t find_id(const List& list, std::string_view id) {
    const auto found = std::find_if(list.begin(), list.end(), [&](const auto& item) { return item.id == id; });
    return found == list.end() ? not_found : static_cast<std::size_t>(found - list.begin());
}

}  // namespace

std::string Protection::state() {
    measurement_.show();
    std::string out;
    const TransmissionWatch::Memory& rf = transmission_.memory();
    line(out, "step", "", last_step_, rf.rf_last_seen, unclean_start_, permit_, measurable_, rf.ending_warned, stepped_,
         snapshot_.sequence, rf.rf_present, rf.since);
    line(out, "awake", "", measurement_.awake_since());
    line(out, "began", "", began_);
    line(out, "commissioning", "", commissioning_until_);
    line(out, "events", "", events_);
    line(out, "interlock", "", interlock_);
    line(out, "supervised", "", supervision_);
    line(out, "forward-seen", "", supervision_.forward_seen());
    line(out, "forecast", "", measurement_.forecaster());
    line(out, "ambient-trend", "", measurement_.forecaster().trend());
    line(out, "average", "", measurement_.average());
    line(out, "window", "", measurement_.window());
    line(out, "reflected-timer", "", reflected_timer_, swapped_timer_);
    line(out, "proof", "", proof_, release_);
    for (std::size_t i = 0; i < plan_.channels.size(); ++i) {
        line(out, "channel", plan_.channels[i].id, measurement_.channel(i), measurement_.counts()[i]);
    }
    for (std::size_t i = 0; i < plan_.limits.size(); ++i) {
        line(out, "limit", plan_.limits[i].id, limits_.timer(i), limits_.warnings()[i]);
        line(out, "proved", plan_.limits[i].id, proof_.proved(i));
    }
    for (std::size_t i = 0; i < measurement_.quantities().size(); ++i) {
        line(out, "quantity", describe(plan_, static_cast<QuantityIndex>(i)).id, measurement_.quantities()[i]);
    }
    for (std::size_t i = 0; i < interlock_.causes().size(); ++i) {
        const SourceInfo info = describe_source(plan_, static_cast<SourceIndex>(i));
        line(out, std::string{cause_prefix}.append(source_prefix_words.of(info.kind)), info.id, interlock_.causes()[i]);
    }
    return out;
}

bool Protection::take_state(std::string_view text) {
    std::vector<std::uint8_t> seen(source_count(plan_));
    bool begun = false;
    while (!text.empty()) {
        const std::size_t end = text.find('\n');
        if (end == std::string_view::npos) return false;
        const std::string_view row = text.substr(0, end);
        text.remove_prefix(end + 1);
        const std::string_view key = row.substr(0, row.find(' '));
        if (!take_line(key, row.substr(key.size()), seen)) return false;
        begun = begun || key == "step";
    }
    if (!begun) return false;
    proof_.mend();
    begin_unseen(seen);
    limits_.take_what_is_in_force(look(last_step_));
    interlock_.take_causes(snapshot_.causes);
    const auto quantities = measurement_.quantities();
    const auto counts = measurement_.counts();
    std::copy(quantities.begin(), quantities.end(), snapshot_.quantities.begin());
    std::copy(counts.begin(), counts.end(), snapshot_.channels.begin());
    std::copy(limits_.warnings().begin(), limits_.warnings().end(), snapshot_.warnings.begin());
    snapshot_.permit = permit_;
    snapshot_.rf_present = transmission_.rf_present();
    snapshot_.transmitting_since = transmission_.since();
    snapshot_.commissioning_until = commissioning_until_;
    snapshot_.contactor_closed = supervision_.contactor_closed();
    snapshot_.state = interlock_.state();
    snapshot_.now = last_step_;
    return true;
}

bool Protection::take_line(std::string_view key, std::string_view words, std::vector<std::uint8_t>& seen) {
    if (key == "step") {
        TransmissionWatch::Memory& rf = transmission_.memory();
        return read(words, last_step_, rf.rf_last_seen, unclean_start_, permit_, measurable_, rf.ending_warned,
                    stepped_, snapshot_.sequence, rf.rf_present, rf.since);
    }
    if (key == "began") return read(words, began_);
    if (key == "awake") return read(words, measurement_.awake_since());
    if (key == "commissioning") return read(words, commissioning_until_);
    if (key == "events") return read(words, events_);
    if (key == "interlock") return read(words, interlock_);
    if (key == "supervised") return read(words, supervision_);
    if (key == "supervision") {
        Supervision::Format1 before{supervision_};
        return read(words, before);
    }
    if (key == "forward-seen") return read(words, supervision_.forward_seen());
    if (key == "forecast") return read(words, measurement_.forecaster());
    if (key == "ambient-trend") return read(words, measurement_.forecaster().trend());
    if (key == "average") return read(words, measurement_.average());
    if (key == "window") return read(words, measurement_.window());
    if (key == "reflected-timer") return read(words, reflected_timer_, swapped_timer_);
    if (key == "proof") return read(words, proof_, release_);
    const std::size_t colon = key.find(':');
    if (colon == std::string_view::npos) return false;
    const std::string_view kind = key.substr(0, colon);
    const std::string_view id = key.substr(colon + 1);
    if (kind == "channel") {
        const std::size_t i = find_id(plan_.channels, id);
        return i == not_found || read(words, measurement_.channel(i), measurement_.count(i));
    }
    if (kind == "limit") {
        const std::size_t i = find_id(plan_.limits, id);
        return i == not_found || read(words, limits_.timer(i), limits_.warned(i));
    }
    if (kind == "proved") {
        const std::size_t i = find_id(plan_.limits, id);
        return i == not_found || read(words, proof_.proved(i));
    }
    if (kind == "quantity") {
        for (std::size_t i = 0; i < measurement_.quantities().size(); ++i) {
            if (describe(plan_, static_cast<QuantityIndex>(i)).id == id) return read(words, measurement_.quantity(i));
        }
        return true;
    }
    if (!kind.starts_with(cause_prefix)) return false;
    for (std::size_t i = 0; i < seen.size(); ++i) {
        const SourceInfo info = describe_source(plan_, static_cast<SourceIndex>(i));
        if (info.id != id || source_prefix_words.of(info.kind) != kind.substr(cause_prefix.size())) continue;
        seen[i] = 1;
        return read(words, snapshot_.causes[i]);
    }
    return true;
}

// What this plan has and the state's plan had not: as if it had been looked at all the time.
void Protection::begin_unseen(const std::vector<std::uint8_t>& seen) noexcept {
    for (std::size_t i = 0; i < seen.size(); ++i) {
        if (seen[i] != 0) continue;
        snapshot_.causes[i] = {.condition = Condition::clear, .clear_since = last_step_};
        if (i < plan_.limits.size()) limits_.begin_unseen(i, look(last_step_));
    }
}

void Limits::begin_unseen(std::size_t index, const Look& look) noexcept {
    const LimitPlan& limit = plan_.limits[index];
    const Standing stands = standing(limit, look.moment());
    timers_[index].update(look.now, core::verdict_of(limit, stands, look.measurement.quantities()[limit.watch],
                                                     look.measurement.rf_absent()));
}

void Limits::take_what_is_in_force(const Look& look) noexcept {
    for (std::size_t i = 0; i < timers_.size(); ++i) out_of_force_[i] = out_of_force(plan_.limits[i], look) ? 1 : 0;
}

void Interlock::take_causes(std::span<const Cause> causes) noexcept {
    active_ = 0;
    at_rest_ = false;
    for (std::size_t i = 0; i < std::min(causes.size(), causes_.size()); ++i) {
        causes_[i] = causes[i];
        memory_.latched[i] = causes[i].latched;
        active_ += causes[i].active ? 1U : 0U;
    }
}

}  // namespace dekeyd::core
