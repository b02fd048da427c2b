// The control socket's requests: any line gives a request within its bounds, or says what is wrong.
#include <nlohmann/json.hpp>

#include "fuzz.hpp"
#include "messages/control.hpp"

using namespace dekeyd;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    const formats::Request request = formats::parse_request(fuzz::text_of(data, size));
    if (const auto* watch = std::get_if<formats::WatchRequest>(&request)) {
        fuzz::need(watch->hz >= 0.1 && watch->hz <= 50.0, "a rate within bounds");
    } else if (const auto* record = std::get_if<formats::RecordRequest>(&request)) {
        fuzz::need(record->seconds >= 1.0 && record->seconds <= 86400.0, "a length within bounds");
    } else if (const auto* command = std::get_if<formats::CommandRequest>(&request)) {
        fuzz::need(core::is_order(command->kind), "no client is the storage or the second opinion");
        fuzz::need(command->reason.size() <= 200, "a short reason");
        for (const char c : command->reason) {
            const auto byte = static_cast<unsigned char>(c);
            fuzz::need(byte >= 0x20 && byte != 0x7f, "a reason that can go to a log");
        }
    } else if (const auto* bad = std::get_if<formats::BadRequest>(&request)) {
        fuzz::need(!bad->error.empty(), "it says why");
        const std::string answer = formats::error_answer(bad->error);
        fuzz::need(answer.find('\n') == answer.size() - 1, "an answer is one line");
        fuzz::need(nlohmann::json::accept(answer), "an answer is JSON");
    }
    if (size > formats::longest_request) {
        fuzz::need(std::holds_alternative<formats::BadRequest>(request), "a line that is too long is refused");
    }
    return 0;
}
