#include "telemetry/mqtt_link.hpp"

#include <mqtt/async_client.h>
#include <pthread.h>

#include <algorithm>
#include <atomic>

#include "messages/thinned.hpp"

namespace dekeyd {
namespace {

using Kind = LinkNews::Kind;

#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define DEKEYD_LARGE_STACKS 1
#endif
#endif

// Measured with this client: a callback that blocks causes a deadlock, and one that throws ends the process.
constexpr std::size_t most_messages = 512;
constexpr std::size_t longest_topic = 256;
constexpr std::size_t longest_payload = 256;  // a reason for a hold
constexpr int connect_timeout_s = 10;
constexpr int keep_alive_s = 10;
constexpr int max_in_flight = 64;
constexpr int mqtt_3_1_1 = MQTTVERSION_3_1_1;

void* to_context(std::uint32_t slot) noexcept {
    // Paho hands it back and never looks behind it.
    return reinterpret_cast<void*>(static_cast<std::uintptr_t>(slot));  // NOLINT(performance-no-int-to-ptr)
}

std::uint32_t to_slot(const mqtt::token& token) noexcept {
    return static_cast<std::uint32_t>(reinterpret_cast<std::uintptr_t>(token.get_user_context()));
}

/// The client makes its threads without attributes, and locked memory has no room for stacks of eight megabytes. (The
/// sanitizers need larger ones.)
void make_default_stacks_small() noexcept {
#if !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__) && !defined(DEKEYD_LARGE_STACKS)
    constexpr std::size_t stack_bytes = 256UL * 1024;
    pthread_attr_t attributes;
    if (::pthread_attr_init(&attributes) != 0) return;
    if (::pthread_attr_setstacksize(&attributes, stack_bytes) == 0) ::pthread_setattr_default_np(&attributes);
    ::pthread_attr_destroy(&attributes);
#endif
}

/// The return codes of a refused connection are the standard's (MQTT 3.1.1, 3.2.2.3); negative ones are the client's.
std::string why(int code) {
    switch (code) {
        case 1: return "the broker doesn't support MQTT 3.1.1";
        case 2: return "the broker doesn't accept the client's id";
        case 3: return "the broker is not available";
        case 4: return "the broker refuses the user or the password";
        case 5: return "the broker doesn't authorise this user";
        default: return "the client gives code " + std::to_string(code);
    }
}

}  // namespace

/// Shared with callbacks, so that a late one never finds it gone.
class MqttLink::Inbox {
public:
    explicit Inbox(Wake& wake) : wake_{wake} {}

    /// From the client's threads. Never throws, waits for no more than a few moves.
    void put(std::uint64_t generation, LinkNews news) noexcept {
        try {
            const std::lock_guard lock{mutex_};
            if (generation != generation_) return;
            if (news.kind == Kind::message && replaced(news)) return;  // the older one has rung already
            if (news.kind == Kind::message && news_.size() >= most_messages) {
                flooded_.fetch_add(1, std::memory_order_relaxed);
                return;
            }
            news_.push_back(std::move(news));
        } catch (...) {
            return;
        }
        wake_.ring();
    }
    void turn_to(std::uint64_t generation) {
        const std::lock_guard lock{mutex_};
        generation_ = generation;
        news_.clear();
        for (Newest& one : newest_) one.place.reset();
    }
    void swap_into(std::vector<LinkNews>& taken) {
        const std::lock_guard lock{mutex_};
        taken.clear();
        taken.swap(news_);
        for (Newest& one : newest_) one.place.reset();
    }
    void keep_newest_of(std::vector<std::string> topics) {
        const std::lock_guard lock{mutex_};
        newest_.clear();
        for (std::string& topic : topics) newest_.push_back({std::move(topic), {}});
    }
    [[nodiscard]] std::uint64_t flooded() const noexcept { return flooded_.load(std::memory_order_relaxed); }

private:
    /// A topic of which the newest message alone is wanted, and where in `news_` one waits.
    struct Newest {
        std::string topic;
        std::optional<std::size_t> place;
    };
    /// It has taken an older one's place. One that needs a place of its own gets the next.
    bool replaced(LinkNews& news) {
        for (Newest& one : newest_) {
            if (one.topic != news.message.topic) continue;
            if (one.place) {
                news_[*one.place] = std::move(news);
                return true;
            }
            if (news_.size() < most_messages) one.place = news_.size();
            return false;
        }
        return false;
    }

    Wake& wake_;
    std::mutex mutex_;
    std::vector<LinkNews> news_;
    std::vector<Newest> newest_;
    std::uint64_t generation_ = 0;
    std::atomic<std::uint64_t> flooded_{0};
};

class MqttLink::Client {
public:
    Client(std::shared_ptr<Inbox> inbox, std::uint64_t generation, const std::string& uri, const std::string& client_id)
        : inbox_{std::move(inbox)},
          connecting_{*inbox_, generation, Kind::connected, Kind::refused},
          acting_{*inbox_, generation, Kind::done, Kind::failed},
          leaving_{*inbox_, generation, Kind::gone, Kind::gone},
          client_{uri, client_id} {
        client_.set_connection_lost_handler([inbox = inbox_, generation](const std::string& cause) noexcept {
            inbox->put(generation, {.kind = Kind::lost, .slot = 0, .text = cause, .message = {}});
        });
        client_.set_message_callback([inbox = inbox_, generation](const mqtt::const_message_ptr& message) noexcept {
            try {
                if (!message) return;
                LinkNews news;
                news.kind = Kind::message;
                const std::string& topic = message->get_topic();
                const std::string& payload = message->get_payload_ref().str();
                news.message.topic = topic.substr(0, longest_topic);
                news.message.retained = message->is_retained();
                // The pieces of our own past that were asked for are longer than any command.
                const bool past = news.message.retained && topic.starts_with("dekeyd/");
                news.message.payload = payload.substr(0, past ? formats::largest_piece : longest_payload);
                news.message.size = payload.size();
                news.message.duplicate = message->is_duplicate();
                inbox->put(generation, std::move(news));
            } catch (...) {
            }
        });
    }

    mqtt::async_client& get() noexcept { return client_; }
    void remember(mqtt::token_ptr token) noexcept { connect_token_ = std::move(token); }
    /// The client's own words for a connection that wasn't made; they come out of waiting for what is over already.
    [[nodiscard]] std::string last_words() const {
        try {
            if (connect_token_) connect_token_->wait_for(std::chrono::milliseconds{0});
        } catch (const std::exception& error) {
            return error.what();
        } catch (...) {
        }
        return {};
    }
    mqtt::iaction_listener& connecting() noexcept { return connecting_; }
    mqtt::iaction_listener& acting() noexcept { return acting_; }
    mqtt::iaction_listener& leaving() noexcept { return leaving_; }

private:
    class Listener final : public mqtt::iaction_listener {
    public:
        Listener(Inbox& inbox, std::uint64_t generation, Kind good, Kind bad) noexcept
            : inbox_{inbox}, generation_{generation}, good_{good}, bad_{bad} {}
        void on_success(const mqtt::token& token) noexcept override {
            inbox_.put(generation_, {.kind = good_, .slot = to_slot(token), .text = {}, .message = {}});
        }
        void on_failure(const mqtt::token& token) noexcept override {
            std::string text;
            try {
                text = why(token.get_return_code());
            } catch (...) {
            }
            inbox_.put(generation_, {.kind = bad_, .slot = to_slot(token), .text = std::move(text), .message = {}});
        }

    private:
        Inbox& inbox_;
        std::uint64_t generation_;
        Kind good_;
        Kind bad_;
    };

    std::shared_ptr<Inbox> inbox_;
    Listener connecting_;
    Listener acting_;
    Listener leaving_;
    mqtt::token_ptr connect_token_;
    mqtt::async_client client_;  // last: it goes first, and its threads with it
};

MqttLink::MqttLink(Wake& wake) : inbox_{std::make_shared<Inbox>(wake)} {
    make_default_stacks_small();
}

MqttLink::~MqttLink() {
    drop();
}

void MqttLink::keep_newest_of(std::vector<std::string> topics) {
    inbox_->keep_newest_of(std::move(topics));
}

std::string MqttLink::connect(const formats::MqttConfig& mqtt, const Login& login, const std::string& client_id,
                              const std::string& will_topic, const std::string& will) {
    drop();
    try {
        client_ = std::make_unique<Client>(inbox_, generation_, broker_uri(mqtt), client_id);
        mqtt::connect_options options;
        options.set_mqtt_version(mqtt_3_1_1);
        options.set_clean_session(true);
        options.set_automatic_reconnect(false);
        options.set_connect_timeout(connect_timeout_s);
        options.set_keep_alive_interval(keep_alive_s);
        options.set_max_inflight(max_in_flight);
        options.set_will(mqtt::will_options{will_topic, will.data(), will.size(), 1, true});
        if (!login.user.empty()) options.set_user_name(login.user);
        if (!login.password.empty()) options.set_password(login.password);
        if (mqtt.tls) {
            mqtt::ssl_options tls;
            if (!mqtt.ca_file.empty()) tls.set_trust_store(mqtt.ca_file);
            if (!mqtt.certificate_file.empty()) tls.set_key_store(mqtt.certificate_file);
            if (!mqtt.key_file.empty()) tls.set_private_key(mqtt.key_file);
            tls.set_enable_server_cert_auth(true);
            tls.set_verify(true);  // the name in the certificate, too
            options.set_ssl(std::move(tls));
        }
        client_->remember(client_->get().connect(std::move(options), nullptr, client_->connecting()));
        return {};
    } catch (const std::exception& error) {
        std::string text = error.what();
        drop();
        return text.empty() ? "the client could not be made" : text;
    }
}

bool MqttLink::publish(const std::string& topic, std::string_view payload, int qos, bool retained,
                       std::uint32_t slot) noexcept {
    try {
        if (!client_ || !client_->get().is_connected()) return false;
        client_->get().publish(mqtt::make_message(topic, payload.data(), payload.size(), qos, retained),
                               to_context(slot), client_->acting());
        return true;
    } catch (...) {
        return false;
    }
}

bool MqttLink::subscribe(const std::string& filter, int qos, std::uint32_t slot) noexcept {
    try {
        if (!client_) return false;
        client_->get().subscribe(filter, qos, to_context(slot), client_->acting());
        return true;
    } catch (...) {
        return false;
    }
}

bool MqttLink::unsubscribe(const std::string& filter, std::uint32_t slot) noexcept {
    try {
        if (!client_) return false;
        client_->get().unsubscribe(filter, to_context(slot), client_->acting());
        return true;
    } catch (...) {
        return false;
    }
}

bool MqttLink::disconnect() noexcept {
    try {
        if (!client_) return false;
        client_->get().disconnect(0, nullptr, client_->leaving());
        return true;
    } catch (...) {
        return false;
    }
}

void MqttLink::drop() noexcept {
    try {
        inbox_->turn_to(++generation_);
        taken_.clear();
        next_ = 0;
        client_.reset();
    } catch (...) {
    }
}

std::optional<LinkNews> MqttLink::next() {
    if (next_ >= taken_.size()) {
        inbox_->swap_into(taken_);
        next_ = 0;
    }
    if (next_ >= taken_.size()) return std::nullopt;
    LinkNews news = std::move(taken_[next_++]);
    if (news.kind == Kind::refused && client_) {
        if (const std::string words = client_->last_words(); !words.empty()) news.text += " (" + words + ")";
    }
    return news;
}

std::uint64_t MqttLink::flooded() const noexcept {
    return inbox_->flooded();
}

}  // namespace dekeyd
