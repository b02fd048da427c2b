// The page's types of the messages: written from the messages' own fields. With DEKEYD_WRITE_PAGE_TYPES set, the test
// writes the file anew.
#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <fstream>
#include <sstream>

#include "words/mqtt_messages.hpp"
#include "words/unit_table.hpp"

namespace {

using namespace dekeyd::formats;

constexpr const char* path = DEKEYD_SOURCE_DIR "/tools/dashboard/src/broker/messages.ts";

template <class T>
std::string type_name() {
    if constexpr (std::same_as<T, PlannedLimit>) return "PlannedLimit";
    if constexpr (std::same_as<T, DetectorMessage>) return "DetectorMessage";
    if constexpr (std::same_as<T, ChainMessage>) return "ChainMessage";
    if constexpr (std::same_as<T, HoldMessage>) return "HoldMessage";
    if constexpr (std::same_as<T, SummaryCause>) return "SummaryCause";
    if constexpr (std::same_as<T, SummaryProof>) return "SummaryProof";
    if constexpr (std::same_as<T, ProofOutcome>) return "ProofOutcome";
    if constexpr (std::same_as<T, std::string>) return "string";
    if constexpr (std::same_as<T, bool>) return "boolean";
    if constexpr (std::is_arithmetic_v<T>) return "number";
    if constexpr (IsOptional<T>::value) return type_name<typename T::value_type>() + " | null";
    if constexpr (IsVector<T>::value) {
        const std::string item = type_name<typename T::value_type>();
        return item.find(' ') == std::string::npos ? item + "[]" : "(" + item + ")[]";
    }
    if constexpr (IsMap<T>::value) return "Record<string, " + type_name<typename T::mapped_type>() + ">";
    return "unknown";
}

class TypeWriter {
public:
    template <class T>
    void operator()(const char* key, const T& /*value*/) {
        text += std::string{"  "} + key + ": " + type_name<T>() + ";\n";
    }
    template <class T>
    void operator()(const char* key, const T& /*value*/, const IfSet& /*tag*/) {
        text += std::string{"  "} + key + "?: " + type_name<T>() + ";\n";
    }
    void operator()(const char* key, const double& value, const Exact& /*tag*/) { (*this)(key, value); }
    void operator()(const char* key, const bool& /*value*/, const Choice& choice) {
        text +=
            std::string{"  "} + key + ": \"" + std::string{choice.yes} + "\" | \"" + std::string{choice.no} + "\";\n";
    }
    std::string text{};
};

template <class T>
std::string interface(const char* name) {
    TypeWriter writer;
    const T message;
    T::fields(writer, message);
    return std::string{"\nexport interface "} + name + " {\n" + writer.text + "}\n";
}

std::string digits_of_units() {
    std::string kinds;
    for (const std::string_view word : digits_words.all())
        kinds += fmt::format("{}\"{}\"", kinds.empty() ? "" : " | ", word);
    std::string text =
        fmt::format("\nexport type Digits = {};\n\nexport const digitsOfUnit: Record<string, Digits> = {{\n", kinds);
    for (const UnitRow& row : unit_rows) {
        const std::string symbol{dekeyd::core::symbol(row.unit)};
        const bool name =
            !symbol.empty() && std::all_of(symbol.begin(), symbol.end(), [](char c) { return c >= 'A' && c <= 'z'; });
        text += fmt::format("  {}: \"{}\",\n", name ? symbol : '"' + symbol + '"', digits_words.of(row.digits));
    }
    return text + "};\n";
}

std::string types() {
    return "// What the daemon publishes, field by field. Made from daemon/words/messages.hpp, mqtt_messages.hpp and\n"
           "// unit_table.hpp by tests/agree/page_types_test.cpp, which says when this file has to be made anew.\n" +
           interface<PlannedLimit>("PlannedLimit") + interface<DetectorMessage>("DetectorMessage") +
           interface<ChainMessage>("ChainMessage") + interface<PlanMessage>("PlanMessage") +
           interface<HoldMessage>("HoldMessage") + interface<SummaryCause>("SummaryCause") +
           interface<SummaryProof>("SummaryProof") + interface<LiveSummary>("LiveSummary") + interface<Pulse>("Pulse") +
           interface<ChannelCount>("ChannelCount") + interface<ProofOutcome>("ProofOutcome") +
           interface<EventMessage>("EventMessage") + digits_of_units();
}

}  // namespace

TEST_CASE("the page's types are those of the messages") {
    if (std::getenv("DEKEYD_WRITE_PAGE_TYPES") != nullptr) std::ofstream{path} << types();
    std::ifstream file{path};
    std::stringstream held;
    held << file.rdbuf();
    CHECK_MESSAGE(held.str() == types(), "run agree_test with DEKEYD_WRITE_PAGE_TYPES=1 to write " << path);
}
