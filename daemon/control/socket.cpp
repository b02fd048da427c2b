#include "control/socket.hpp"

#include <fmt/format.h>
#include <poll.h>
#include <unistd.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <utility>

#include "base/wall_clock.hpp"
#include "words/event_text.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

namespace {

constexpr core::Duration idle_wait = 250ms;    // events ring; a recording, or a time that has passed, doesn't
constexpr core::Duration working_wait = 50ms;  // a recording's next part
constexpr core::Duration pending_wait = 5ms;   // a command's answer waits for the storage
constexpr int remote_at_once = 4;              // of the telemetry's clients, and then a pause:
constexpr core::Duration remote_pause = 20ms;
constexpr core::Duration remote_quiet = 5ms;  // between looks at what one of them has sent

constexpr std::string_view never_by_observers =
    "here one may look, and order nothing; expected: the socket 'control' in the same folder";

// The one answer of a client that is closed for another's sake.
constexpr std::string_view place_needed =
    "every place of the control socket is taken, and another client needed this one; expected: connect and ask at once";

}  // namespace

ControlSocket::ControlSocket(const formats::Configuration& configuration, Outlet& outlet, Ring<core::Command>& commands,
                             Wake& guard, Context context, RecordingFeed* recording, StorageState* saved)
    : configuration_{configuration},
      outlet_{outlet},
      commands_{commands},
      guard_{guard},
      context_{std::move(context)},
      recording_{recording},
      saved_{saved},
      for_operators_{configuration.run_directory + "/control", ListeningSocket::For::operators},
      for_telemetry_{configuration.run_directory + "/telemetry", ListeningSocket::For::telemetry},
      for_observers_{configuration.run_directory + "/observe", ListeningSocket::For::observers},
      pending_{saved} {
    if (wake_.descriptor() >= 0) outlet.reader = &wake_;
}

void ControlSocket::serve_telemetry(TelemetryPorts ports, std::string_view version) {
    feed_.emplace(configuration_, ports, version);
}

formats::MqttStatus ControlSocket::telemetry() const noexcept {
    const bool followed = followed_.load();
    return {.telemetry = followed, .connected = followed && broker_.load()};
}

ControlSocket::~ControlSocket() {
    for (const Client& client : clients_) ::close(client.descriptor);
}

std::string ControlSocket::listen() {
    if (std::string text = for_operators_.open(std::nullopt); !text.empty()) return text;
    std::string text = for_observers_.open(observers_group());
    if (!feed_) return text;
    const std::string more = for_telemetry_.open(feed_->group());
    return text.empty() || more.empty() ? text + more : text + "; " + more;
}

void ControlSocket::run() {
    looked_ = monotonic_now();
    while (!leave_.load()) {
        std::vector<pollfd> watched{{.fd = wake_.descriptor(), .events = POLLIN, .revents = 0}};
        for (const ListeningSocket* listener : listeners_) {  // a negative one is passed over by poll()
            watched.push_back({.fd = listener->descriptor(monotonic_now()), .events = POLLIN, .revents = 0});
        }
        const std::size_t first_client = watched.size();
        for (const Client& client : clients_) {
            const int in = monotonic_now() >= client.quiet_until ? POLLIN : 0;
            const int out = client.unsent.empty() ? 0 : POLLOUT;
            watched.push_back({.fd = client.descriptor, .events = static_cast<short>(in | out), .revents = 0});
        }
        ::poll(watched.data(), watched.size(), poll_timeout(monotonic_now()));
        wake_.hear();
        const core::Instant now = monotonic_now();
        outlet_.snapshot.take();
        take_events();
        for (std::size_t i = 0; i < clients_.size(); ++i) {
            const short news = watched[first_client + i].revents;
            if ((news & (POLLIN | POLLHUP | POLLERR)) != 0) receive(clients_[i], now);
            if ((news & POLLOUT) != 0) clients_[i].flush();
        }
        close_silent(now);
        drop_clients();  // first, for their room
        for (std::size_t i = 0; i < listeners_.size(); ++i) {
            if ((watched[1 + i].revents & POLLIN) != 0) accept_clients(*listeners_[i], now);
        }
        answer_pending(now);
        feed_telemetry(now);
        if (events_) events_->serve(clients_);
        serve_watchers(now);
        recording_.serve(clients_);
        drop_clients();
        looked_ = now;
    }
}

int ControlSocket::poll_timeout(core::Instant now) const {
    core::Duration wait = !pending_.empty() ? pending_wait : idle_wait;
    for (const Client& client : clients_) {
        if (client.records) wait = std::min<core::Duration>(wait, working_wait);
        if (client.watches()) wait = std::clamp<core::Duration>(client.watch_next - now, 0ns, wait);
        if (client.follows) wait = std::clamp<core::Duration>(feed_->due() - now, 0ns, wait);
        if (client.quiet_until > now) wait = std::min<core::Duration>(wait, client.quiet_until - now);
    }
    for (const ListeningSocket* listener : listeners_) {
        if (listener->open_again() > now) wait = std::min<core::Duration>(wait, listener->open_again() - now);
    }
    return static_cast<int>(std::chrono::ceil<std::chrono::milliseconds>(wait).count());
}

// ---- clients ---------------------------------------------------------------------------------------------------

void ControlSocket::accept_clients(ListeningSocket& listener, core::Instant now) {
    for (int left = listener.is_remote() ? remote_at_once : ListeningSocket::waiting_clients; left > 0; --left) {
        const int descriptor = listener.accept(now);
        if (descriptor < 0) return;
        clients_.emplace_back(descriptor, now);
        Client& client = clients_.back();
        client.remote = client.remote || listener.is_remote() || (feed_ && feed_->is_remote(client.user));
        client.observes = listener.is_observers();
        limit_remote_connections(client);
        receive(client, now);  // before any question of places: what it has sent already is done
        keep_places(now);
    }
    if (listener.is_remote()) listener.rest(remote_pause, now);
}

void ControlSocket::receive(Client& client, core::Instant now) {
    if (now < client.quiet_until) return;
    if (client.remote) client.quiet_until = now + remote_quiet;
    client.receive(now, [&](Client& from, std::string_view line) { answer(from, line, now); });
}

// The telemetry takes no more than its share of the places, and those who only look no more than theirs.
void ControlSocket::limit_remote_connections(const Client& newest) {
    if (!newest.remote) return;
    std::size_t remote = 0;
    for (auto client = clients_.rbegin(); client != clients_.rend(); ++client) {
        if (client->remote && client->observes == newest.observes && !client->drop &&
            ++remote > TelemetryFeed::most_connections)
            client->drop = true;
    }
}

// A client that only stays must not keep a command out.
void ControlSocket::keep_places(core::Instant now) {
    if (clients_.size() <= most_clients) return;
    for (Client& client : clients_) receive(client, now);  // it may have asked just now
    drop_clients();
    while (true) {
        std::vector<ClientPlace> places;
        for (const Client& client : clients_) places.push_back(place_of(client));
        const auto found = client_to_close(places);
        if (!found) return;
        Client& client = clients_[*found];
        if (closed_clients_.pass(now)) {
            spdlog::warn(
                "control socket: {} clients are connected; one that asked nothing for {} s was closed for a new one{}",
                most_clients, std::chrono::floor<std::chrono::seconds>(now - client.asked_at).count(),
                closed_clients_.since());
        }
        client.send(formats::error_answer(place_needed));
        client.drop = true;
        drop_clients();
    }
}

void ControlSocket::close_silent(core::Instant now) {
    for (Client& client : clients_) {
        // A recording that its client doesn't read ends by the bound of its feed.
        if (client.has_not_read_for(unread_life, now) && !client.records) client.drop = true;
        if (!is_idle(place_of(client), now)) continue;
        client.send(formats::error_answer(fmt::format("nothing was asked here for {} minutes; expected: connect again",
                                                      std::chrono::floor<std::chrono::minutes>(idle_life).count())));
        client.drop = true;
    }
}

void ControlSocket::answer(Client& client, std::string_view line, core::Instant now) {
    if (!client.may_ask(now)) {
        return client.send(formats::error_answer(
            fmt::format("too many requests; expected at most {} a second", Client::requests_per_second)));
    }
    const formats::Request request = formats::parse_request(line);
    if (const auto* bad = std::get_if<formats::BadRequest>(&request)) {
        client.send(formats::error_answer(bad->error));
    } else if (std::holds_alternative<formats::StatusRequest>(request)) {
        client.send(formats::status_answer(status()));
    } else if (const auto* watch = std::get_if<formats::WatchRequest>(&request)) {
        const auto others = std::count_if(clients_.begin(), clients_.end(),
                                          [&](const Client& one) { return one.watches() && &one != &client; });
        if (others >= static_cast<std::ptrdiff_t>(most_watchers)) {
            return client.send(
                formats::error_answer(fmt::format("{} clients watch already; expected no more", most_watchers)));
        }
        client.watch_every = std::chrono::duration_cast<core::Duration>(std::chrono::duration<double>(1.0 / watch->hz));
        client.watch_next = now;
    } else if (std::holds_alternative<formats::FollowRequest>(request)) {
        begin_to_follow(client, now);
    } else if (const auto* events = std::get_if<formats::EventsRequest>(&request)) {
        ask_events(client, *events);
    } else if (const auto* capture = std::get_if<formats::CaptureRequest>(&request)) {
        if (!client.follows || !events_)
            return client.send(formats::error_answer("there are no captures for you; expected 'follow' first"));
        events_->ask_capture(capture->name, capture->offset);
    } else if (const auto* report = std::get_if<formats::ReportRequest>(&request)) {
        if (!client.follows)
            return client.send(formats::error_answer("this is only for the telemetry; expected 'follow' first"));
        broker_.store(report->broker);
    } else if (const auto* record = std::get_if<formats::RecordRequest>(&request)) {
        if (client.remote) return client.send(formats::error_answer(TelemetryFeed::never_remotely));
        const auto length = std::chrono::duration_cast<core::Duration>(std::chrono::duration<double>(record->seconds));
        if (!recording_.begin(client, length))
            return client.send(formats::error_answer("a recording is being made already; expected one at a time"));
    } else if (const auto* command = std::get_if<formats::CommandRequest>(&request)) {
        obey(client, *command, now);
    }
}

void ControlSocket::obey(Client& client, const formats::CommandRequest& request, core::Instant now) {
    const auto& limits = configuration_.plan.limits;
    const auto limit = std::find_if(limits.begin(), limits.end(), [&](const auto& l) { return l.id == request.limit; });
    if (request.kind == core::CommandKind::prove_limit && limit == limits.end()) {
        return client.send(formats::error_answer("there is no such limit; expected one of the configuration's ids"));
    }
    // A command that waited longer than its client stayed, or than the answer's time, is not sent any more.
    // Every turn takes all that has come, so it can't be older than the one before. A hold is never void.
    const bool is_void =
        request.kind != core::CommandKind::hold && (client.gone || now - looked_ >= formats::command_life);
    if (is_void) {
        client.send(formats::error_answer("the command came too late and is not done; expected: ask again"));
        spdlog::warn("control socket: {} was asked for, but {}: it is not done", core::text(request.kind),
                     client.gone ? "its client has gone" : "it waited too long");
        return;
    }
    if (client.observes) return client.send(formats::error_answer(never_by_observers));
    if (client.remote) {
        const std::string refusal =
            feed_ ? feed_->refusal(request.kind, now) : std::string{TelemetryFeed::never_remotely};
        if (!refusal.empty()) return client.send(formats::error_answer(refusal));
    }
    Ring<core::Command>* const commands = client.remote ? feed_->commands() : &commands_;
    const auto index = static_cast<std::uint16_t>(limit == limits.end() ? 0 : limit - limits.begin());
    const core::Command command{.kind = request.kind,
                                .origin = client.remote ? core::Origin::remote : core::Origin::local,
                                .id = next_id_++,
                                .limit = index,
                                .arrived = now};
    const bool notes = request.kind == core::CommandKind::hold && saved_ != nullptr;
    formats::Note before;
    if (notes) {
        formats::Note note = formats::note_of(wall_stamp(now));
        note.reason = request.reason;
        outlet_.snapshot.take();
        const core::Memory& memory = outlet_.snapshot.value().memory;
        if (client.remote ? memory.held_remotely : memory.held_locally)
            note = formats::asked_again(saved_->notes.of_hold(command.origin), note);
        before = saved_->notes.put_hold(command.origin, std::move(note));
    }
    if (commands == nullptr || !commands->push(command)) {
        if (notes) saved_->notes.put_hold(command.origin, std::move(before));
        client.send(formats::error_answer("the guard takes no more commands just now; expected: try again"));
        return;
    }
    guard_.ring();
    client.proves = client.proves || request.kind == core::CommandKind::prove;
    pending_.await(client.descriptor, command);
    // The command is obeyed before its answer is sent.
    const std::string reason = request.reason.empty() ? "no reason given" : "reason: " + request.reason;
    spdlog::info("control socket: {} asked for{} ({})", core::text(request.kind), client.remote ? " remotely" : "",
                 reason);
}

void ControlSocket::drop_clients() {
    std::erase_if(clients_, [this](const Client& client) {
        if (!client.drop) return false;
        recording_.leave(client);
        if (client.follows) followed_.store(false);
        if (events_) events_->leave(client);
        proof_is_left_ = proof_is_left_ || client.proves;
        pending_.forget(client.descriptor);
        ::close(client.descriptor);
        return true;
    });
    // Where the guard takes no more just now: at the next turn.
    if (proof_is_left_ && commands_.push({.kind = core::CommandKind::prove_end, .origin = core::Origin::local})) {
        proof_is_left_ = false;
        guard_.ring();
    }
}

ClientPlace ControlSocket::place_of(const Client& client) const {
    return {.asked_at = client.asked_at,
            .waits = pending_.waits(client.descriptor),
            .watches = client.watches(),
            .works = client.records || client.proves || client.follows};
}

ControlSocket::Client* ControlSocket::client_of(int descriptor) {
    const auto found = std::find_if(clients_.begin(), clients_.end(),
                                    [=](const Client& client) { return client.descriptor == descriptor; });
    return found == clients_.end() ? nullptr : &*found;
}

// ---- what the guard says ---------------------------------------------------------------------------------------

nlohmann::ordered_json ControlSocket::status() {
    outlet_.snapshot.take();
    formats::StatusContext context = context_();
    if (saved_ != nullptr) context.notes = saved_->notes.of(outlet_.snapshot.value().memory);
    context.wall = wall_stamp(monotonic_now()).since_1970;
    return formats::status_json(configuration_, outlet_.snapshot.value(), context);
}

void ControlSocket::take_events() {
    while (const core::Event* next = outlet_.events.front()) {
        const core::Event event = *next;
        outlet_.events.pop();
        if (outlet_.snapshot.value().now < event.at) outlet_.snapshot.take();
        const std::span<const core::Reading> around = outlet_.snapshot.value().quantities_at(event.at);
        std::string sentence = formats::sentence(configuration_.plan, event, around);
        if (saved_ != nullptr) sentence = saved_->notes.with_reason(std::move(sentence), event);
        if (feed_ && followed_.load()) feed_->add(event);
        const bool watched =
            std::any_of(clients_.begin(), clients_.end(), [](const Client& client) { return client.watches(); });
        if (watched) {
            nlohmann::ordered_json json = formats::event_json(configuration_.plan, event, wall_stamp(event.at), around);
            json["text"] = sentence;  // with a hold's reason
            const std::string line = formats::watch_event(json);
            for (Client& client : clients_) {
                if (client.watches()) client.send(line);
            }
        }
        const auto answer = pending_.answered(event, sentence, monotonic_now());
        Client* const client = answer ? client_of(answer->descriptor) : nullptr;
        if (client == nullptr) continue;
        // Its test is over: when it goes, there is none to end.
        if (event.kind == core::EventKind::proof_passed || event.kind == core::EventKind::proof_ended)
            client->proves = false;
        client->send(answer->line);
    }
}

void ControlSocket::answer_pending(core::Instant now) {
    for (const PendingAnswers::Answer& answer : pending_.due(now)) {
        if (Client* client = client_of(answer.descriptor)) client->send(answer.line);
    }
}

void ControlSocket::serve_watchers(core::Instant now) {
    std::string line;  // made once for all who are due
    for (Client& client : clients_) {
        if (!client.watches() || client.drop || now < client.watch_next) continue;
        client.watch_next = std::max(client.watch_next + client.watch_every, now);
        // A client that hasn't read the last one gets the next one later, and not both.
        if (!client.unsent.empty()) continue;
        if (line.empty()) line = formats::watch_status(status());
        client.send(line);
    }
}

// Of a second question before the answer the later one counts.
void ControlSocket::ask_events(Client& client, const formats::EventsRequest& request) {
    const bool theirs = !client.remote || client.observes || client.follows;
    if (!events_ || !theirs)
        return client.send(formats::error_answer("there are no events for you; expected 'follow' first"));
    client.events_after = request.after;
}

// One at a time: a new process takes over from one that is hung.
void ControlSocket::begin_to_follow(Client& client, core::Instant now) {
    if (!client.remote || client.observes || !feed_) {
        return client.send(formats::error_answer("this is only for the telemetry, at its own socket"));
    }
    for (Client& other : clients_) {
        if (!other.follows || &other == &client) continue;
        other.follows = false;
        other.drop = true;
    }
    if (connected_.pass(now)) spdlog::info("telemetry connected{}", connected_.since());
    client.follows = true;
    client.asked_at = now;
    broker_.store(false);
    followed_.store(true);
    client.send(feed_->hello());
}

// A telemetry that hasn't read the last one gets the next one later.
void ControlSocket::feed_telemetry(core::Instant now) {
    const auto found =
        std::find_if(clients_.begin(), clients_.end(), [](const Client& client) { return client.follows; });
    if (found == clients_.end() || found->drop || !found->unsent.empty()) return;
    if (feed_->is_due(now)) found->send(feed_->line(outlet_.snapshot.value(), now));
    if (events_) {
        if (const auto part = events_->take_capture()) found->send(TelemetryFeed::capture_line(*part));
    }
}

}  // namespace dekeyd
