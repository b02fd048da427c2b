#include "dekeyctl/prove/proof_report.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

constexpr std::size_t row_name_room = 30;

const char* word(ProofRow::Result result) {
    switch (result) {
        case ProofRow::Result::passed: return "pass";
        case ProofRow::Result::failed: return "FAIL";
        case ProofRow::Result::not_forced: return "not forced";
    }
    return "FAIL";
}

// Milliseconds to a tenth: a relay's bounce is of that size.
std::string short_time(double seconds) {
    return seconds < 10.0 ? fmt::format("{:.1f} ms", seconds * 1000.0) : fmt::format("{:.2f} s", seconds);
}

std::string line_row(const ProofReport& report) {
    std::string words = report.line_words;
    const auto add = [&](const char* what, const std::optional<double>& time) {
        if (time) words += fmt::format("{}{} {}", words.empty() ? "" : ", ", what, short_time(*time));
    };
    add("permit read back after", report.line_on_s);
    add("inhibit after", report.line_off_s);
    return fmt::format("{:<10}  {}  {}", report.line_passed ? "pass" : "FAIL",
                       pad_right("Line, both ways", row_name_room), words);
}

std::string contact_row(const ProofReport& report) {
    const bool good = report.contact_measured || report.contact_confirmed;
    std::string words = report.contact_measured    ? "measured by the sense input"
                        : report.contact_confirmed ? "seen by the operator"
                                                   : "not confirmed";
    if (report.contact_on_s) words += ": closed after " + short_time(*report.contact_on_s);
    if (report.contact_off_s) words += ", open after " + short_time(*report.contact_off_s);
    return fmt::format("{:<10}  {}  {}", good ? "pass" : "FAIL", pad_right("Contact", row_name_room), words);
}

nlohmann::ordered_json number(const std::optional<double>& value) {
    return value ? nlohmann::ordered_json(*value) : nlohmann::ordered_json(nullptr);
}

}  // namespace

ProofRow with_verdict(ProofRow row, double slack_s) {
    if (row.result != ProofRow::Result::passed || !row.delay_s || !row.most_s) return row;
    if (*row.delay_s <= *row.most_s + slack_s) return row;
    row.result = ProofRow::Result::failed;
    row.words = "later than the configuration promises";
    return row;
}

std::string row_words(const ProofRow& row) {
    std::string words;
    if (row.delay_s) words = "at inhibit after " + short_time(*row.delay_s);
    if (row.delay_s && row.most_s) words += fmt::format(" (at most {})", short_time(*row.most_s));
    if (!row.words.empty()) words += (words.empty() ? "" : ": ") + row.words;
    return fmt::format("{:<10}  {}  {}", word(row.result), pad_right(printable(row.name), row_name_room), words);
}

std::string to_text(const ProofReport& report) {
    std::string out = fmt::format("Proof test of {} ({})\n{} to {}, dekeyd {}\nLine: {}\n", printable(report.name),
                                  printable(report.amplifier), report.began, report.ended, printable(report.version),
                                  printable(report.line));
    if (!report.note.empty()) out += "Note: " + printable(report.note) + '\n';
    out += fmt::format("\n{}\n", report.passed ? "PASSED" : "NOT PASSED: " + printable(report.words));
    out += '\n' + line_row(report) + '\n' + contact_row(report) + '\n';
    for (const ProofRow& row : report.limits) out += row_words(row) + '\n';
    out += "\nDelays are from the injected reading to the line read back at inhibit, without the sensor itself.\n";
    if (report.release_s)
        out += fmt::format("Release time at the last de-key under RF: {}.\n", short_time(*report.release_s));
    else
        out += "Release time: not measured since dekeyd's start; see 'dekeyctl prove --release-time'.\n";
    for (const std::string& note : report.notes) out += printable(note) + '\n';
    return out;
}

nlohmann::ordered_json to_json(const ProofReport& report) {
    nlohmann::ordered_json limits = nlohmann::ordered_json::array();
    for (const ProofRow& row : report.limits) {
        limits.push_back({{"id", row.id},
                          {"name", row.name},
                          {"result", row.result == ProofRow::Result::passed   ? "pass"
                                     : row.result == ProofRow::Result::failed ? "fail"
                                                                              : "not forced"},
                          {"delay_s", number(row.delay_s)},
                          {"most_s", number(row.most_s)},
                          {"text", row.words}});
    }
    return {{"amplifier", report.amplifier},
            {"name", report.name},
            {"version", report.version},
            {"line", report.line},
            {"began", report.began},
            {"ended", report.ended},
            {"note", report.note},
            {"passed", report.passed},
            {"text", report.words},
            {"line_test",
             {{"passed", report.line_passed},
              {"on_s", number(report.line_on_s)},
              {"off_s", number(report.line_off_s)},
              {"text", report.line_words}}},
            {"contact",
             {{"measured", report.contact_measured},
              {"confirmed", report.contact_confirmed},
              {"on_s", number(report.contact_on_s)},
              {"off_s", number(report.contact_off_s)}}},
            {"limits", std::move(limits)},
            {"release_s", number(report.release_s)},
            {"sensors", report.notes}};
}

}  // namespace dekeyd::ctl
