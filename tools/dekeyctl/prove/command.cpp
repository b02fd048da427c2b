// prove: the proof test from the operator's side. What is safe is the daemon's affair: it permits the line only for
// moments, and ends the test when this program goes.
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <iostream>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "base/connection.hpp"
#include "base/durable_file.hpp"
#include "base/wall_time.hpp"
#include "core/interlock.hpp"
#include "dekeyctl/commands.hpp"
#include "dekeyctl/json_output.hpp"
#include "dekeyctl/prove/proof_outlook.hpp"
#include "dekeyctl/prove/proof_report.hpp"
#include "dekeyctl/status.hpp"
#include "dekeyctl/terminal.hpp"
#include "dekeyctl/text.hpp"

namespace dekeyd::ctl {
namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;
using OrderedJson = nlohmann::ordered_json;

std::string text_of(const OrderedJson& json, const char* key) {
    const auto found = json.find(key);
    return found != json.end() && found->is_string() ? printable(found->get_ref<const std::string&>()) : std::string{};
}

std::optional<double> number_of(const OrderedJson& json, const char* key) {
    const auto found = json.find(key);
    return found != json.end() && found->is_number() ? std::optional{found->get<double>()} : std::nullopt;
}

bool is_true(const OrderedJson& json, const char* key) {
    const auto found = json.find(key);
    return found != json.end() && found->is_boolean() && found->get<bool>();
}

OrderedJson part_of(const OrderedJson& json, const char* key) {
    const auto found = json.find(key);
    return found != json.end() ? *found : OrderedJson{};
}

std::string now_text() {
    return formats::to_iso(std::chrono::system_clock::now().time_since_epoch());
}

std::optional<Status> plain(const OrderedJson& status) {
    return read_message(OrderedJson{{"ok", true}, {"status", status}}.dump()).status;
}

constexpr auto supply_falls_at_most = 60s;

// Ctrl-C, or a terminal that goes: the test is ended before this program is, and the daemon's own word is told.
void end_on_signal(const std::string& socket) {
    sigset_t asked;
    sigemptyset(&asked);
    for (const int signal : {SIGINT, SIGTERM, SIGHUP}) sigaddset(&asked, signal);
    ::pthread_sigmask(SIG_BLOCK, &asked, nullptr);
    std::thread{[socket, asked] {
        int signal = 0;
        ::sigwait(&asked, &signal);
        std::string words;
        try {
            ask(socket, R"({"ask":"prove-end"})");
            const auto status = read_message(ask(socket, R"({"ask":"status"})")).status;
            words = !status          ? "dekeyd's answer was not understood: look at 'dekeyctl status'"
                    : status->permit ? "no test runs. dekeyd PERMITS: " + status->reason
                                     : "no test runs. dekeyd inhibits, " + status->state + ": " + status->reason;
        } catch (const Unreachable& error) {
            words = error.what();
        }
        say(stderr, "\ndekeyctl: interrupted; " + words);
        std::_Exit(exit_refused);
    }}.detach();
}

// What stands in the way before anything was asked, and what to do about it.
std::string hindrance(const OrderedJson& status) {
    const OrderedJson memory = part_of(status, "memory");
    if (is_true(memory, "held_remotely"))
        return "a hold over the network, or of the start ('after_start: held'), stands. Find out whose it is and why. "
               "Then, "
               "with the exciter off: 'dekeyctl release', which ends it, and at once 'dekeyctl hold --reason \"proof "
               "test\"'";
    if (!is_true(memory, "held_locally"))
        return "no local hold stands; expected one before a proof test: dekeyctl hold --reason 'proof test'";
    return {};
}

class Proving {
public:
    explicit Proving(const ProveOptions& options)
        : options_{options}, connection_{options.socket}, out_{options.json ? stderr : stdout} {}

    int run() {
        end_on_signal(options_.socket);
        return options_.release_time ? measure_release() : prove();
    }

private:
    void say(const std::string& text) const { ctl::say(out_, text); }
    int fail(ExitCode code, const std::string& text) const {
        wipe();
        ctl::say(stderr, "dekeyctl: " + text);
        return code;
    }
    // One line that is written over; only where somebody looks.
    void progress(const std::string& text) const {
        if (::isatty(::fileno(out_)) == 0) return;
        fmt::print(out_, "\r\x1b[K{}", clip(text, static_cast<std::size_t>(look_of(out_).width) - 1));
        std::fflush(out_);
    }
    void wipe() const { progress(""); }

    bool agreed(const std::string& question) const {
        fmt::print(out_, "{} [y/N] ", question);
        std::fflush(out_);
        std::string answer;
        std::getline(std::cin, answer);
        if (::isatty(STDIN_FILENO) == 0) fmt::print(out_, "{}\n", answer);
        return answer == "y" || answer == "Y" || answer == "yes";
    }

    OrderedJson ask(const OrderedJson& request, std::chrono::milliseconds wait = 10s) {
        connection_.send(request.dump());
        const auto line = connection_.receive(wait);
        if (!line) throw Unreachable(fmt::format("{}: no answer; the test ends by itself", options_.socket));
        return OrderedJson::parse(*line, nullptr, false);
    }
    OrderedJson status() { return part_of(ask({{"ask", "status"}}), "status"); }

    /// One part of the test. Where the contactor has opened for it, the supply may need a while to fall.
    OrderedJson ask_part(const OrderedJson& request) {
        const auto until = Clock::now() + supply_falls_at_most;
        for (;;) {
            OrderedJson answer = ask(request, 80s);
            const bool supplied = text_of(part_of(answer, "proof"), "why") == core::text(core::ProofEnd::supplied);
            if (!supplied || Clock::now() >= until) return answer;
            progress("waiting for the supply to fall");
            std::this_thread::sleep_for(200ms);
        }
    }

    int prove() {
        const OrderedJson first = status();
        if (const std::string why = hindrance(first); !why.empty()) return fail(exit_refused, why);
        const auto now = plain(first);
        if (const std::string what = now ? what_else_stands(*now) : ""; !what.empty())
            return fail(exit_refused, "what else stands: " + what +
                                          ". Expected nothing beside the hold: mend it, or "
                                          "wait for its hold-off, and 'dekeyctl reset' what is latched");
        std::vector<Limit> limits;
        for (const OrderedJson& one : part_of(first, "limits")) {
            Limit limit;
            limit.trips = is_true(one, "trips");
            limit.provable = is_true(one, "provable");
            limit.reaction_s = number_of(one, "reaction_s").value_or(0.0);
            limit.hold_off_s = number_of(one, "hold_off_s").value_or(0.0);
            limits.push_back(std::move(limit));
        }
        outlook_ = proof_outlook(limits);
        // An evening's test whose report can't be kept is better not begun.
        std::error_code error;
        if (!std::filesystem::is_directory(options_.folder, error) || ::access(options_.folder.c_str(), W_OK) != 0)
            return fail(exit_refused, options_.folder +
                                          " is no folder that this user may write; expected one for the "
                                          "reports, see --folder");
        const bool sensed = is_true(part_of(first, "proof"), "enable_sense");
        say("Proof test of " + text_of(first, "name") +
            ".\n"
            "The line goes to permit for moments, and every limit is forced. Before it begins:\n"
            "  - the exciter is off or disconnected, and stays so: nothing may drive the amplifier;\n"
            "  - no one works on amplifier, feeder or antenna: for moments the amplifier is enabled;\n"
            "  - follow your local rules, and leave to licensed people what is theirs.\n"
            "RF, drive, a lost reading, a release or the end of this program end it, inhibited.");
        say(fmt::format("It forces {} and takes about {}, most of it hold-offs.", counted(outlook_.limits, "limit"),
                        time_words(std::ceil(outlook_.seconds))));
        if (!options_.yes && !agreed("Is it so?")) return fail(exit_refused, "nothing was done; expected 'y'");
        report_.began = now_text();
        if (const OrderedJson begun = ask({{"ask", "prove"}}); !is_true(begun, "ok")) {
            const auto then = plain(status());
            const std::string what = then ? what_else_stands(*then) : "";
            return fail(exit_refused, text_of(begun, "text") + text_of(begun, "error") +
                                          (what.empty() ? "" : "; what else stands: " + what));
        }
        left_s_ = outlook_.seconds;
        prove_line(sensed);
        bool going = report_.line_passed;
        if (!going) report_.words = "the line or its contact";
        for (const OrderedJson& limit : part_of(first, "limits")) going = going && prove_limit(limit);
        return finish(going, first);
    }

    void prove_line(bool sensed) {
        if (!sensed) {
            say("The line goes to permit for two seconds: watch or listen to the contact.");
            if (!options_.yes && !agreed("Ready?")) {
                report_.line_words = "not begun";
                return;
            }
        }
        progress("driving the line");
        const OrderedJson answer = ask_part({{"ask", "prove-line"}});
        wipe();
        const OrderedJson times = part_of(answer, "proof");
        report_.line_passed = is_true(answer, "ok");
        report_.line_on_s = number_of(times, "line_on_s");
        report_.line_off_s = number_of(times, "line_off_s");
        report_.contact_on_s = number_of(times, "contact_on_s");
        report_.contact_off_s = number_of(times, "contact_off_s");
        report_.contact_measured = report_.line_passed && sensed;
        say("  " + text_of(answer, "text") + text_of(answer, "error"));
        if (!report_.line_passed) {
            report_.line_words = text_of(times, "why");
            return;
        }
        if (!sensed) report_.contact_confirmed = agreed("Did the contact close, and open again?");
        if (!report_.contact_measured && !report_.contact_confirmed) report_.line_passed = false;
    }

    // Nothing but the hold may stand before the next limit is forced: its hold-off is waited for, its latch reset.
    bool wait_for_quiet() {
        const auto until = Clock::now() + 15min;
        while (Clock::now() < until) {
            const OrderedJson now = status();
            const OrderedJson causes = part_of(now, "causes");
            if (!is_true(part_of(now, "proof"), "running")) {
                const auto then = plain(now);
                stands_ = then ? what_else_stands(*then) : "";
                return false;
            }
            if (causes.empty()) return true;
            const OrderedJson& cause = causes[0];
            const double left = number_of(cause, "hold_off_left_s").value_or(0.0);
            now_doing(fmt::format("waiting for {} to clear: {}", text_of(cause, "name"), time_words(std::ceil(left))));
            if (is_true(cause, "latched") && left <= 0.0) ask({{"ask", "reset"}});
            std::this_thread::sleep_for(200ms);
        }
        const auto then = plain(status());
        stands_ = then ? what_else_stands(*then) : "";
        return false;
    }

    /// How far it is, with what is done now.
    void now_doing(const std::string& what) const {
        progress(fmt::format("[{} of {}, about {} left] {}", std::min(forced_ + 1, outlook_.limits), outlook_.limits,
                             time_words(std::ceil(std::max(0.0, left_s_))), what));
    }

    bool prove_limit(const OrderedJson& limit) {
        if (!is_true(limit, "trips")) return true;
        ProofRow row{
            .id = text_of(limit, "id"), .name = text_of(limit, "name"), .most_s = number_of(limit, "reaction_s")};
        if (row.name.empty()) row.name = row.id;
        bool going = true;
        if (!is_true(limit, "provable")) {
            row.result = ProofRow::Result::not_forced;
            row.words = "its qualify time is longer than anything may be forced";
        } else if (!wait_for_quiet()) {
            row.words = stands_.empty() ? "the test has ended" : "the test has ended; what else stands: " + stands_;
            going = false;
        } else {
            now_doing("forcing " + row.name);
            const OrderedJson answer = ask_part({{"ask", "prove-limit"}, {"limit", row.id}});
            const OrderedJson result = part_of(answer, "proof");
            row.result = is_true(answer, "ok") ? ProofRow::Result::passed : ProofRow::Result::failed;
            row.delay_s = is_true(answer, "ok") ? number_of(result, "line_off_s") : std::nullopt;
            if (!is_true(answer, "ok")) row.words = text_of(result, "why") + text_of(answer, "error");
            row = with_verdict(row, options_.slack_s);
            ++forced_;
            left_s_ -= number_of(limit, "reaction_s").value_or(0.0) + number_of(limit, "hold_off_s").value_or(0.0);
        }
        wipe();
        say("  " + row_words(row));
        if (row.result == ProofRow::Result::failed && report_.words.empty()) report_.words = row.name;
        report_.limits.push_back(std::move(row));
        return going;
    }

    int finish(bool going, const OrderedJson& first) {
        const bool late = std::any_of(report_.limits.begin(), report_.limits.end(),
                                      [](const ProofRow& row) { return row.result == ProofRow::Result::failed; });
        if (going && !wait_for_quiet())
            report_.words = "the last limit didn't clear" + (stands_.empty() ? "" : "; what else stands: " + stands_);
        if (going && !late && report_.words.empty()) {
            const OrderedJson answer = ask({{"ask", "prove-passed"}});
            report_.passed = is_true(answer, "ok");
            if (!report_.passed) report_.words = text_of(answer, "text") + text_of(answer, "error");
        } else {
            ask({{"ask", "prove-end"}});
        }
        wipe();
        const OrderedJson last = status();
        report_.amplifier = text_of(first, "id");
        report_.name = text_of(first, "name");
        report_.version = text_of(first, "version");
        report_.line = text_of(first, "line");
        report_.note = options_.note;
        report_.release_s = number_of(part_of(last, "proof"), "release_s");
        if (const auto then = plain(last)) report_.notes = sensor_notes(*then);
        report_.ended = now_text();
        const int code = write_report("proof");
        if (code != exit_done) return code;
        say(report_.passed ? "Proof test PASSED. The hold stands: 'dekeyctl release' ends it."
                           : "Proof test NOT passed: " + report_.words + ". The hold stands.");
        return report_.passed ? exit_done : exit_refused;
    }

    int write_report(const std::string& what) {
        std::string stamp = report_.began.substr(0, 19);
        std::erase_if(stamp, [](char c) { return c == ':' || c == '-'; });
        const std::string path = fmt::format("{}/{}-{}-{}Z", options_.folder, what, report_.amplifier, stamp);
        const std::string json = to_json(report_).dump(2, ' ', false, OrderedJson::error_handler_t::replace) + '\n';
        for (const auto& [name, text] : {std::pair{path + ".txt", to_text(report_)}, std::pair{path + ".json", json}}) {
            if (const std::string trouble = formats::write_durably(name, text); !trouble.empty()) {
                fmt::print(out_, "{}", to_text(report_));  // so that it isn't lost
                return fail(exit_refused, fmt::format("the proof test was {}passed, but its report is not kept: {}. "
                                                      "The hold stands.",
                                                      report_.passed ? "" : "NOT ", trouble));
            }
            say("written: " + name);
        }
        if (options_.json) fmt::print("{}", json);
        return exit_done;
    }

    // A real de-key: the daemon measures how long RF lasts after its line went to inhibit.
    int measure_release() {
        OrderedJson now = status();
        const auto transmits = [&] { return is_true(now, "permit") && is_true(now, "rf_present"); };
        constexpr const char* silent =
            "no RF; expected a transmission at reduced power into a dummy load, permitted by dekeyd";
        if (!transmits()) return fail(exit_refused, silent);
        say("Release time of " + text_of(now, "name") +
            ", by one real de-key. Before it:\n"
            "  - the amplifier works into a dummy load that bears the power, at a quarter of it or less;\n"
            "  - a de-key under power is what the contact is for, but no more often than needed.");
        if (!options_.yes && !agreed("Is it so?")) return fail(exit_refused, "nothing was done; expected 'y'");
        now = status();  // the question may have stood for long
        if (!transmits()) return fail(exit_refused, silent);
        if (const OrderedJson answer = ask({{"ask", "hold"}, {"reason", "measuring the release time"}});
            !is_true(answer, "ok"))
            return fail(exit_refused, text_of(answer, "text") + text_of(answer, "error"));
        // A number from before this de-key is none of it.
        const auto before = number_of(part_of(now, "proof"), "release_s");
        const double at = number_of(now, "now_s").value_or(0.0);
        const auto until = Clock::now() + 5s;
        while (Clock::now() < until) {
            std::this_thread::sleep_for(50ms);
            now = status();
            const auto measured = number_of(part_of(now, "proof"), "release_s");
            if (is_true(now, "rf_present") || number_of(now, "now_s").value_or(0.0) <= at) continue;
            if (!measured || measured == before)
                return fail(exit_refused,
                            "RF was gone before the line went to inhibit, so nothing was measured. Held: 'dekeyctl "
                            "release', transmit, and try again");
            const std::string words = time_words(*measured);
            say(
                fmt::format("RF was gone {} after the line went to inhibit (to within one scan of forward power).\n"
                            "Compare with 'release_time' of the configuration. Held: turn drive off, then "
                            "'dekeyctl release'.",
                            words));
            if (options_.json) print_json({{"release_s", *measured}});
            return exit_done;
        }
        return fail(exit_refused,
                    "RF didn't go within 5 s of the de-key: look at the contact at once; dekeyd holds, and alarms");
    }

    const ProveOptions& options_;
    Connection connection_;
    std::FILE* out_;
    ProofReport report_;
    ProofOutlook outlook_;
    double left_s_ = 0.0;
    std::size_t forced_ = 0;
    std::string stands_;  ///< what ended the test
};

}  // namespace

int run_prove(const ProveOptions& options) {
    return Proving{options}.run();
}

}  // namespace dekeyd::ctl
