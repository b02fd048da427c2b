#include "dekeyctl/set_up/ask_blanks.hpp"

#include <doctest/doctest.h>

#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>

#include "dekeyctl/set_up/blanks.hpp"
#include "dekeyctl/set_up/starting_configuration.hpp"
#include "temporary_folder.hpp"

using namespace dekeyd;
using nlohmann::json;

namespace {

std::string one_detector() {
    const json volts{{"address", "voltage0"}, {"value", 0.0}, {"unit", "V"}, {"fault", "none"}};
    const json heat{{"address", "28-0000000000a1"}, {"value", 23.0}, {"unit", "°C"}, {"fault", "none"}};
    return ctl::starting_configuration(
        {{"w1", {heat}},
         {"iio",
          {{{"device", "ads1015"}, {"label", ""}, {"codes", "-32768 .. 32767"}, {"channels", json::array({volts})}}}},
         {"hwmon", json::array()},
         {"gpio", {{{"chip", "soc"}, {"name", "gpiochip0"}, {"bus", ""}, {"error", 0}, {"lines", json::array()}}}}});
}

struct File {
    test::TemporaryFolder folder;
    std::string path = folder / "dekeyd.yaml";
    explicit File(const std::string& text) { std::ofstream{path} << text; }
    [[nodiscard]] std::string text() const {
        std::ifstream in{path};
        return {std::istreambuf_iterator<char>{in}, {}};
    }
    int ask(const std::string& typed) const {
        std::istringstream in{typed};
        return ctl::ask_blanks(path, in);
    }
};

}  // namespace

TEST_CASE("an answer that the configuration would refuse is not taken, and says what is expected") {
    const std::string text = one_detector();
    const auto taken = [&](const char* answer) { return ctl::answered(text, "amplifier.frequency", answer); };
    CHECK(taken("3.4").text.empty());
    CHECK(taken("3.4").refused.find("unit") != std::string::npos);
    CHECK(taken("3.4 GHz  # fine").text.empty());
    CHECK(taken("{").text.empty());
    CHECK(taken("3.4 GHz").text.find("frequency: 3.4 GHz") != std::string::npos);
    CHECK(taken("3.4 GHz").refused.empty());
    CHECK(ctl::answered(text, "amplifier.nothing", "3.4 GHz").refused == "there is no blank 'amplifier.nothing'");
}

TEST_CASE("questions can be left, and go on where they were") {
    const File file{one_detector()};
    const std::size_t all = ctl::blanks_of(file.text()).size();
    CHECK(file.ask("10 GHz\nnonsense\n5 W\n") == 1);
    CHECK(ctl::blanks_of(file.text()).size() == all - 2);
    CHECK(file.text().find("frequency: 10 GHz") != std::string::npos);
    CHECK(file.text().find("rated_forward: 5 W") != std::string::npos);
    // The line, a diode with its figures and window, coupling and pads; then the offers: no circulator, a dish.
    CHECK(file.ask("GPIO17\nhigh\ndiode\n500 mV/mW\n-35 dBm\n0 dBm\n0 V .. 1 V\n30 dB\n10 dB\nn\ny\n0.6 m\n") == 1);
    const std::string text = file.text();
    CHECK(text.find("detector: {square_law: 500 mV/mW, floor: -35 dBm, ceiling: 0 dBm}") != std::string::npos);
    CHECK(text.find("circulator: {") == std::string::npos);
    CHECK(text.find("\nantenna: {dish: {diameter: 0.6 m") != std::string::npos);
    CHECK(text.find("# antenna: {gain") == std::string::npos);
    CHECK(ctl::blanks_of(text).empty());
    // No blank is left, and offers are: exposure, MQTT, and what nothing here guards.
    CHECK(file.ask("n\nn\n") == 1);
    CHECK(file.text().find("# accept: [") != std::string::npos);
    CHECK(file.ask("y\n") == 0);
    CHECK(file.text().find("\naccept: [") != std::string::npos);
    CHECK(file.ask("") == 0);
}

TEST_CASE("a circulator takes its place before the coupler") {
    const File file{one_detector()};
    // Every blank is left for later.
    CHECK(file.ask(std::string(ctl::blanks_of(file.text()).size(), '\n') + "y\n") == 1);
    CHECK(file.text().find("\nmain_line: [amplifier, circulator, ") != std::string::npos);
    CHECK(file.text().find("\ncirculator: {load_rating: FILL_IN") != std::string::npos);
}
