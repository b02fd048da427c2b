#include "plan/events.hpp"

#include <algorithm>
#include <array>

namespace dekeyd::core {

namespace {

constexpr std::array<EventRow, event_kind_count> event_rows{{
    {EventKind::started, "started", Severity::notice, "◦"},
    {EventKind::permitted, "permitted", Severity::good, "●"},
    {EventKind::tripped, "tripped", Severity::alarm, "■"},
    {EventKind::latched, "latched", Severity::alarm, "■"},
    {EventKind::cleared, "cleared", Severity::notice, "□"},
    {EventKind::locked_out, "locked out", Severity::alarm, "■"},
    {EventKind::held, "held", Severity::warning, "‖"},
    {EventKind::released, "released", Severity::notice, "▷"},
    {EventKind::reset, "reset", Severity::notice, "↺"},
    {EventKind::refused, "refused", Severity::warning, "×"},
    {EventKind::warning, "warning", Severity::warning, "▲"},
    {EventKind::warning_over, "warning over", Severity::notice, "△"},
    {EventKind::sensor_lost, "sensor lost", Severity::warning, "?"},
    {EventKind::sensor_back, "sensor back", Severity::notice, "✓"},
    {EventKind::rf_on, "RF on", Severity::notice, "≈"},
    {EventKind::rf_off, "RF off", Severity::notice, "≈"},
    {EventKind::transmission_ending, "transmission ending", Severity::warning, "▲"},
    {EventKind::contactor_opened, "contactor opened", Severity::warning, "○"},
    {EventKind::contactor_closed, "contactor closed", Severity::notice, "◉"},
    {EventKind::commissioning, "commissioning", Severity::warning, "▲"},
    {EventKind::commissioning_over, "commissioning over", Severity::notice, "△"},
    {EventKind::proof_begun, "proof begun", Severity::warning, "▲"},
    {EventKind::proof_line, "proof of the line", Severity::notice, "◇"},
    {EventKind::proof_limit, "proof of a limit", Severity::notice, "◇"},
    {EventKind::proof_passed, "proof passed", Severity::notice, "◆"},
    {EventKind::proof_ended, "proof ended", Severity::warning, "×"},
}};

consteval bool rows_in_order() noexcept {
    for (std::size_t i = 0; i < event_rows.size(); ++i) {
        if (static_cast<std::size_t>(event_rows[i].kind) != i) return false;
    }
    return true;
}
static_assert(rows_in_order(), "a row for each EventKind, in its order");

}  // namespace

const EventRow& row_of(EventKind kind) noexcept {
    return event_rows[std::min(static_cast<std::size_t>(kind), event_rows.size() - 1)];
}

std::string_view text(EventKind kind) noexcept {
    return row_of(kind).id;
}

Severity severity_of(const Event& event) noexcept {
    const bool part = event.kind == EventKind::proof_line || event.kind == EventKind::proof_limit;
    if (part) return event.why == ProofEnd::passed ? Severity::notice : Severity::warning;
    return event.forced ? Severity::notice : row_of(event.kind).severity;
}

}  // namespace dekeyd::core
