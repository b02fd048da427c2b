// The command line of `dekeyctl follow`.
#include <algorithm>
#include <iterator>
#include <string>
#include <string_view>
#include <vector>

#include "dekeyctl/command_line.hpp"
#include "dekeyctl/follow/follow.hpp"

namespace dekeyd::ctl {

std::vector<const char*> without_command(std::vector<const char*> words, std::vector<std::string>& command) {
    const auto is = [](std::string_view wanted) { return [=](const char* word) { return word == wanted; }; };
    const auto follow = std::find_if(words.begin(), words.end(), is("follow"));
    const auto run = std::find_if(follow, words.end(), is("--run"));
    if (run == words.end() || std::next(run) == words.end()) return words;
    command.assign(std::next(run), words.end());
    words.erase(std::next(run, 2), words.end());
    return words;
}

void CommandLine::add_follow_command() {
    CLI::App* const command = add(
        "follow", "Events as they come, each once and in order: printed, or given to a command (an alarm when away)",
        "With --run each event goes to the command's standard input, as a line of JSON, and into DEKEYD_EVENT_ID,\n"
        "_KIND, _SEVERITY, _SENTENCE, _TIME, _SOURCE, _STATE, _STATION, _STATION_NAME, _TRY and _UNDELIVERED. It is\n"
        "delivered when the command ends with 0; else the same event is tried again, after 0.25 s up to 5 min, and "
        "the\n"
        "next ones wait. A guard that is silent for 5 s is the event guard-gone, and guard-back when it answers.\n"
        "A message may be late or never arrive: it is no interlock.\n"
        "Examples:\n  dekeyctl follow --least warning\n"
        "  dekeyctl follow --least warning --resume /var/lib/alarm/place --run /etc/dekeyd/alarm/mail",
        [this] {
            follow_.sockets = socket_.empty() ? std::vector{run_directory_ + "/observe", run_directory_ + "/control"}
                                              : std::vector{socket_};
            return run_follow(follow_);
        });
    command->add_option("--least", follow_.least, "no events below this severity")
        ->type_name("SEVERITY")
        ->check(CLI::IsMember({"notice", "good", "warning", "alarm"}))
        ->capture_default_str();
    command->add_flag("--json", follow_.json, "each event as a line of JSON");
    command
        ->add_option("--from", follow_.from, "begin with this number of the journal; default: what comes from now on")
        ->type_name("NUMBER");
    command
        ->add_option("--resume", follow_.resume, "a file that keeps how far it came: it goes on there after a restart")
        ->type_name("FILE")
        ->excludes("--from");
    // Its words are taken out before the others are read.
    command->add_option("--run", "the last option: a command, with its arguments, that is given each event")
        ->type_name("COMMAND");
    command
        ->add_option("--time-limit", follow_.time_limit_s,
                     "the command is killed after so many seconds, with its group")
        ->check(CLI::Range(0.1, 3600.0))
        ->capture_default_str();
    command->add_option("--tries", follow_.tries, "an event is given up after so many; 0: never, so that none is lost")
        ->capture_default_str();
}

}  // namespace dekeyd::ctl
