// MQTT commands: the first byte is the message's flags and what the configuration allows, then topic, a line break and
// payload. Only the exact topic with the exact word does something, and never more than is allowed.
#include <memory>

#include "fuzz.hpp"
#include "telemetry/published/homie.hpp"

using namespace dekeyd;

namespace {

struct Devices {
    formats::Configuration configuration = fuzz::annotated();
    std::unique_ptr<homie::Device> device;
    explicit Devices(bool release, bool reset) {
        if (!configuration.mqtt) configuration.mqtt.emplace();
        configuration.mqtt->remote_release = release;
        configuration.mqtt->remote_reset = reset;
        device = std::make_unique<homie::Device>(configuration);
    }
};

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    if (size == 0) return 0;
    static const Devices devices[4] = {Devices{false, false}, Devices{true, false}, Devices{false, true},
                                       Devices{true, true}};
    const unsigned flags = data[0];
    const Devices& chosen = devices[flags & 3U];
    const std::string_view text = fuzz::text_of(data + 1, size - 1);
    const std::size_t end = text.find('\n');
    homie::Incoming message;
    message.topic = text.substr(0, end);
    // A '~' stands for the device's own base, so that the rest of the topic is reached.
    if (message.topic.starts_with('~')) message.topic = chosen.device->base() + message.topic.substr(1);
    if (end != std::string_view::npos) message.payload = text.substr(end + 1);
    message.size = message.payload.size() + ((flags & 4U) != 0 ? 1000 : 0);
    message.retained = (flags & 8U) != 0;
    message.duplicate = (flags & 16U) != 0;
    const bool late = (flags & 32U) != 0;
    const formats::MqttConfig& mqtt = *chosen.configuration.mqtt;

    const homie::Property* property = chosen.device->find(message.topic);
    fuzz::need(property == nullptr || property->topic == message.topic, "find() finds what was asked for");
    const auto judged = homie::check_command(*chosen.device, mqtt, message, late);
    if (const auto* refusal = std::get_if<homie::Refusal>(&judged)) {
        fuzz::need(!homie::text(*refusal).empty(), "a refusal has words");
        return 0;
    }
    const auto& asked = std::get<homie::Asked>(judged);
    const core::CommandKind kind = asked.kind;
    fuzz::need(!message.retained && !message.duplicate, "no message that the broker keeps or says twice");
    fuzz::need(core::is_order(kind), "no message is the storage or the second opinion");
    fuzz::need(kind != core::CommandKind::release || mqtt.remote_release, "release only where it is allowed");
    fuzz::need(kind != core::CommandKind::reset || mqtt.remote_reset, "reset only where it is allowed");
    const bool hold = kind == core::CommandKind::hold;
    fuzz::need(hold || !late, "only a hold may have waited");
    fuzz::need(hold || message.payload == core::text(kind), "the payload names the command");
    fuzz::need(hold || asked.reason.empty(), "only a hold has a reason");
    fuzz::need(asked.reason == formats::reason_of_bytes(asked.reason), "a reason is fit to be shown");
    fuzz::need(message.topic == chosen.device->base() + "/permit/" + std::string{core::text(kind)} + "/set",
               "the topic names it, too");
    return 0;
}
