#include "messages/control.hpp"

#include <doctest/doctest.h>

#include <nlohmann/json.hpp>
#include <random>
#include <string>

using namespace dekeyd;
using namespace formats;
using Json = nlohmann::ordered_json;

namespace {

std::string error_of(std::string_view line) {
    const Request request = parse_request(line);
    const auto* bad = std::get_if<BadRequest>(&request);
    return bad == nullptr ? "" : bad->error;
}

}  // namespace

TEST_CASE("the five requests") {
    CHECK(std::holds_alternative<StatusRequest>(parse_request(R"({"ask":"status"})")));
    CHECK(std::get<WatchRequest>(parse_request(R"({"ask":"watch"})")).hz == 5.0);
    CHECK(std::get<WatchRequest>(parse_request(R"({"ask":"watch","hz":0.5})")).hz == 0.5);
    CHECK(std::get<WatchRequest>(parse_request(R"(  { "hz" : 10, "ask" : "watch" } )")).hz == 10.0);
    const auto hold = std::get<CommandRequest>(parse_request(R"({"ask":"hold","reason":"work on the mast"})"));
    CHECK(hold.kind == core::CommandKind::hold);
    CHECK(hold.reason == "work on the mast");
    CHECK(std::get<CommandRequest>(parse_request(R"({"ask":"release"})")).kind == core::CommandKind::release);
    CHECK(std::get<CommandRequest>(parse_request(R"({"ask":"reset"})")).kind == core::CommandKind::reset);
}

TEST_CASE("what is no request is refused with what was expected") {
    for (const char* const line : {"",
                                   "status",
                                   "{",
                                   "[]",
                                   "null",
                                   "1",
                                   R"("ask")",
                                   R"({"ask":1})",
                                   R"({"ask":null})",
                                   R"({})",
                                   R"({"ask":"permit"})",
                                   R"({"ask":"Reset"})",
                                   R"({"ask":"reset"} {"ask":"reset"})",
                                   R"({"ask":"reset",})",
                                   R"({"ask":"status","hz":5})",
                                   R"({"ask":"reset","reson":"x"})",
                                   R"({"ask":"hold","reason":5})",
                                   R"({"ask":"watch","hz":"5"})",
                                   R"({"ask":"watch","hz":1e999})",
                                   R"({"ask":"reset","ask":"hold"})",
                                   R"({"ask":"status","ask":"reset"})",
                                   "{\"ask\":\"reset\xff\"}"}) {
        CAPTURE(line);
        CHECK_FALSE(error_of(line).empty());
        CHECK(error_of(line).find("expected") != std::string::npos);
    }
}

TEST_CASE("the stream's rate is bounded") {
    for (const char* const hz : {"0", "-1", "0.01", "51", "1e300"}) {
        CAPTURE(hz);
        CHECK(error_of(std::string{R"({"ask":"watch","hz":)"} + hz + "}").find("0.1 to 50") != std::string::npos);
    }
}

TEST_CASE("long, deep and binary lines are refused, not parsed for ever") {
    CHECK(error_of(R"({"ask":"hold","reason":")" + std::string(longest_request, 'x') + R"("})").find("4096") !=
          std::string::npos);
    CHECK_FALSE(error_of(std::string(longest_request, '[')).empty());
    CHECK_FALSE(error_of(std::string(longest_request, '\0')).empty());
    std::mt19937 random{7};
    for (int round = 0; round < 5000; ++round) {
        std::string line = R"({"ask":"reset","reason":"why"})";
        for (int change = 0; change < 2; ++change) line[random() % line.size()] = static_cast<char>(random());
        const Request request = parse_request(line);
        // A damaged line never becomes a command of another kind.
        if (const auto* command = std::get_if<CommandRequest>(&request))
            CHECK(command->kind == core::CommandKind::reset);
    }
}

TEST_CASE("a reason can't forge a line of the log") {
    const auto hold = std::get<CommandRequest>(parse_request(R"({"ask":"hold","reason":"a\nb\u0000c\u007f"})"));
    CHECK(hold.reason == "a b c");
    const auto longer =
        std::get<CommandRequest>(parse_request(R"({"ask":"hold","reason":")" + std::string(1000, 'x') + R"("})"));
    CHECK(longer.reason.size() == 200);
}

TEST_CASE("answers are one line of JSON each") {
    for (const std::string& line : {error_answer("what, expected \"that\"\n"), status_answer({{"permit", false}}),
                                    watch_status({{"permit", true}}), watch_event({{"number", 1}})}) {
        CHECK(line.find('\n') == line.size() - 1);
        CHECK(Json::parse(line).is_object());
    }
    CHECK(Json::parse(error_answer("why"))["ok"] == false);
    CHECK(Json::parse(error_answer("why"))["error"] == "why");
    CHECK(Json::parse(status_answer({{"permit", false}}))["ok"] == true);
    CHECK(Json::parse(status_answer({{"permit", false}}))["status"]["permit"] == false);
    CHECK(Json::parse(watch_status({{"permit", true}}))["status"]["permit"] == true);
    CHECK(Json::parse(watch_event({{"number", 1}}))["event"]["number"] == 1);
}

TEST_CASE("a command's answer is the guard's event") {
    core::Event event;
    event.kind = core::EventKind::refused;
    Json json = Json::parse(command_answer(event, "Nothing changed."));
    CHECK(json["ok"] == false);
    CHECK(json["outcome"] == "refused");
    CHECK(json["text"] == "Nothing changed.");
    event.kind = core::EventKind::held;
    json = Json::parse(command_answer(event, "Held here."));
    CHECK(json["ok"] == true);
    CHECK(json["outcome"] == "held");
}
