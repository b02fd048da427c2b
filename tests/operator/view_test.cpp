#include "dekeyctl/daily/view.hpp"

#include <doctest/doctest.h>

#include "dekeyctl/daily/limit_lines.hpp"
#include "dekeyctl/text.hpp"
#include "sample.hpp"

using namespace dekeyd::ctl;

namespace {

Status read(const nlohmann::json& json) {
    return *read_message(nlohmann::json{{"status", json}}.dump()).status;
}

Picture picture(const nlohmann::json& json) {
    Picture picture;
    picture.status = read(json);
    return picture;
}

std::string plain(const Picture& picture, Look look) {
    look.colour = false;
    return to_text(render_watch(picture, look), look, true);
}

bool has(const std::string& text, std::string_view part) {
    return text.find(part) != std::string::npos;
}

std::string bar_text(const Quantity& quantity, const std::vector<const Limit*>& limits, std::size_t room) {
    return to_text({bar(quantity, limits, room)}, {}, true);
}

}  // namespace

TEST_CASE("the first line answers the first question") {
    CHECK(plain(picture(sample::status()), {}).starts_with(" PERMIT  may transmit"));
    CHECK(plain(picture(sample::tripped()), {}).starts_with(" INHIBIT  latched: may not transmit"));
}

TEST_CASE("old news never shows a permit") {
    Picture old = picture(sample::status());
    old.status_age_s = 3.0;
    CHECK(plain(old, {}).starts_with(" NOT KNOWN  no news from dekeyd for 3.0 s"));
    CHECK_FALSE(has(plain(old, {}), "PERMIT"));
    Picture gone = picture(sample::status());
    gone.trouble = "/run/dekeyd/control: nothing there";
    CHECK(plain(gone, {}).starts_with(" NOT KNOWN "));
    CHECK(has(plain(gone, {}), "nothing there"));
    CHECK(plain(Picture{}, {}).starts_with(" NOT KNOWN  waiting for dekeyd"));
}

TEST_CASE("each watched value stands beside its limit, with what is left") {
    const std::string text = plain(picture(sample::status()), {.width = 100, .height = 30});
    CHECK(has(text, "Heatsink"));
    CHECK(has(text, "41.3 °C"));
    CHECK(has(text, "28.7 °C below trip"));
    CHECK(has(text, "0.690 below trip"));  // VSWR 1.31 of 2.00
    CHECK(has(text, "nearest to its trip: Forward power, 11.8 W below it"));
    CHECK(has(text, "Gain 17.6 dB"));  // measured, and no limit watches it
    CHECK(has(text, "suspect RF on this cable"));
}

TEST_CASE("a trip says what it still needs") {
    const std::string text = plain(picture(sample::tripped()), {.width = 100, .height = 30});
    CHECK(has(text, "first: VSWR: clear, needs a reset (for 12 s)"));
    CHECK(has(text, "LATCHED, not measurable"));
    CHECK(has(text, "≤10.0 mW"));
}

TEST_CASE("a faulty sensor is said in words in the place of its value") {
    auto json = sample::status();
    json["quantities"][0]["value"] = nullptr;
    json["quantities"][0]["health"] = "unknown";
    json["quantities"][0]["fault"] = "absent";
    const std::string text = plain(picture(json), {.width = 100, .height = 30});
    CHECK(has(text, "no reading: absent"));
    CHECK_FALSE(has(text, "41.3"));
}

TEST_CASE("a warning is a word") {
    auto json = sample::status();
    json["quantities"][0]["value"] = 66.0;
    json["limits"][0]["warning"] = true;
    CHECK(has(plain(picture(json), {.width = 100, .height = 30}), "WARNING, 4.0 °C below trip"));
    CHECK(has(plain(picture(json), {.width = 60, .height = 30}), "WARNING"));
}

TEST_CASE("a limit that judges the uncertain end is beyond where that end is, and says so") {
    auto json = sample::status();
    json["quantities"][0]["value"] = 66.0;
    json["quantities"][0]["high"] = 71.0;
    json["limits"][0]["edge"] = "high";
    CHECK(has(plain(picture(json), {.width = 100, .height = 30}), "at most 1.0 °C beyond trip"));
    json["quantities"][0]["high"] = 68.0;
    CHECK(has(plain(picture(json), {.width = 100, .height = 30}), "at least 2.0 °C below trip"));
    json["limits"][0]["edge"] = "reading";
    CHECK(has(plain(picture(json), {.width = 100, .height = 30}), " 4.0 °C below trip"));
}

TEST_CASE("every size holds its frame, in both alphabets") {
    Picture full = picture(sample::tripped());
    for (int i = 0; i < 50; ++i)
        full.events.push_back(*read_message(sample::event(i, "tripped",
                                                          "a sentence of some length about a thing that "
                                                          "was beyond its limit for a while"))
                                   .event);
    for (const std::size_t width : {1U, 20U, 40U, 60U, 80U, 100U, 130U, 160U, 300U})
        for (const std::size_t height : {1U, 4U, 10U, 24U, 50U})
            for (const bool utf8 : {true, false}) {
                CAPTURE(width);
                CAPTURE(height);
                CAPTURE(utf8);
                const auto lines = render_watch(full, {.width = width, .height = height, .utf8 = utf8});
                CHECK(lines.size() == std::max<std::size_t>(height, 4));
                for (const Line& line : lines) {
                    std::size_t used = 0;
                    for (const Span& span : line) {
                        used += columns(span.text);
                        if (!utf8)
                            for (const char c : span.text) CHECK(static_cast<unsigned char>(c) < 0x80);
                    }
                    CHECK(used <= std::max<std::size_t>(width, 20));
                }
            }
}

TEST_CASE("the newest events are the ones shown, the newest last") {
    Picture full = picture(sample::status());
    for (int i = 0; i < 50; ++i)
        full.events.push_back(*read_message(sample::event(i, "tripped", ("event " + std::to_string(i)).c_str())).event);
    const std::string text = plain(full, {.width = 80, .height = 24});
    CHECK(has(text, "10:20:30.123  event 49"));
    CHECK_FALSE(has(text, "event 0\n"));
    CHECK(text.find("event 48") < text.find("event 49"));
}

TEST_CASE("notes have their place above the events, and leave it to the values when there is little") {
    Picture noted = picture(sample::status());
    noted.notes = {"first note", "second note"};
    const std::string text = plain(noted, {.width = 80, .height = 30});
    CHECK(text.find("first note") < text.find("second note"));
    CHECK(text.find("second note") < text.find("─ events"));
    CHECK_FALSE(has(plain(noted, {.width = 80, .height = 14}), "first note"));
}

TEST_CASE("without colour there is no colour, and the words are the same") {
    const Look coloured{.width = 80, .height = 24, .colour = true};
    const Look bare{.width = 80, .height = 24};
    const auto with = to_text(render_watch(picture(sample::tripped()), coloured), coloured, false);
    const auto without = to_text(render_watch(picture(sample::tripped()), bare), bare, false);
    CHECK(has(with, "\x1b[1;7;31m INHIBIT "));
    CHECK_FALSE(has(without, ";31m"));
    CHECK_FALSE(has(without, "[32m"));
    CHECK(to_text(render_watch(picture(sample::tripped()), coloured), coloured, true) ==
          to_text(render_watch(picture(sample::tripped()), bare), bare, true));
}

TEST_CASE("a limit that only warns is no trip: not on the bar, not in words, not as the nearest") {
    const Limit warns{.id = "a", .watch = "q", .above = true, .trips = false, .trip = 1.0, .clear = 0.7};
    Quantity quantity{.id = "q", .value = 0.2, .health = "good"};
    CHECK(bar_text(quantity, {&warns}, 25) == "━━━━●─────────c─────w────\n");
    auto json = sample::status();
    json["limits"][4]["trips"] = false;  // forward, at 130 W
    std::string text = plain(picture(json), {.width = 100, .height = 30});
    CHECK(has(text, "11.8 W below warning"));
    CHECK_FALSE(has(text, "nearest to its trip: Forward"));
    json["quantities"][1]["value"] = 131.0;
    text = plain(picture(json), {.width = 100, .height = 30});
    CHECK(has(text, "1.00 W beyond warning"));
    CHECK_FALSE(has(text, "beyond trip"));
}

TEST_CASE("a limit that rests has no distance from its trip, colours nothing, and says why it rests") {
    auto json = sample::status();
    json["quantities"].push_back(sample::quantity("fan", "Fan", "rpm", 0.0));
    auto fan = sample::limit("fan", "fan", "rpm", "below", 500.0);
    json["limits"].push_back(fan);
    const Look look{.width = 120};
    CHECK(has(plain(picture(json), look), "500 rpm beyond trip"));
    json["limits"].back()["rests"] = true;
    json["limits"].back()["standing"] = "gate closed";
    const std::string text = plain(picture(json), look);
    CHECK_FALSE(has(text, "beyond"));
    CHECK(has(text, "rests: gate closed"));
    CHECK_FALSE(has(text, "◆"));
    json["limits"].back()["active"] = true;  // what it tripped for stands all the same
    CHECK(has(plain(picture(json), look), "TRIPPED, 500 rpm beyond trip"));
}

TEST_CASE("advice stands below the reason, whole at every width, and not under old news") {
    auto json = sample::status();
    json["advice"] = "Back off by 2 dB, and the heatsink stays under its warning.";
    CHECK(has(plain(picture(json), {.width = 100, .height = 30}),
              "\nNo cause stands.\nBack off by 2 dB, and the heatsink stays under its warning.\n"));
    CHECK(has(plain(picture(json), {.width = 40, .height = 30}),
              "\nBack off by 2 dB, and the heatsink stays\nunder its warning.\n"));
    Picture old = picture(json);
    old.status_age_s = 3.0;
    CHECK_FALSE(has(plain(old, {.width = 100, .height = 30}), "Back off"));
}
