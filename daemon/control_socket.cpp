#include "daemon/control_socket.hpp"

#include <fmt/format.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <nlohmann/json.hpp>
#include <utility>

#include "daemon/wall_clock.hpp"
#include "formats/event_text.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

namespace {

constexpr core::Duration lonely_wait = 250ms;  // events are taken at least so often, for the log
constexpr core::Duration idle_wait = 50ms;     // and so often where a client may want them
constexpr core::Duration pending_wait = 5ms;   // a command's answer is on its way
constexpr mode_t socket_mode = 0660;
constexpr int waiting_clients = 64;
constexpr core::Duration accept_pause = 100ms;  // without a descriptor for the next client

constexpr core::Duration log_interval = 10s;
constexpr int log_burst = 5;

spdlog::level::level_enum log_level(core::Severity severity) noexcept {
    switch (severity) {
        case core::Severity::notice:
        case core::Severity::good: return spdlog::level::info;
        case core::Severity::warning: return spdlog::level::warn;
        case core::Severity::alarm: break;
    }
    return spdlog::level::err;
}

std::string trouble(const std::string& path, const char* doing, int error) {
    return fmt::format("{}: {}: {}; expected a run directory that this user may write (paths: run:)", path, doing,
                       std::strerror(error));
}

const sockaddr* any(const sockaddr_un& address) {
    return static_cast<const sockaddr*>(static_cast<const void*>(&address));
}

}  // namespace

ControlSocket::ControlSocket(const formats::Configuration& configuration, Outlet& outlet, Ring<core::Command>& commands,
                             Wake& guard, Context context, RecordingFeed* recording, const RecorderState* saved)
    : configuration_{configuration},
      outlet_{outlet},
      commands_{commands},
      guard_{guard},
      context_{std::move(context)},
      recording_{recording},
      saved_{saved},
      path_{configuration.run_directory + "/control"} {}

ControlSocket::~ControlSocket() {
    for (const Client& client : clients_) ::close(client.descriptor);
    if (listener_ < 0) return;
    ::close(listener_);
    ::unlink(path_.c_str());
}

std::string ControlSocket::listen() {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    if (path_.size() >= sizeof(address.sun_path)) {
        return fmt::format("{}: a socket's path has at most {} bytes; give a shorter run directory (paths: run:)",
                           path_, sizeof(address.sun_path) - 1);
    }
    std::memcpy(address.sun_path, path_.data(), path_.size());
    const int listener = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (listener < 0) return trouble(path_, "no socket", errno);
    // The line is ours by now, so whatever lies there belongs to nobody who lives.
    struct stat there {};
    if (::lstat(path_.c_str(), &there) == 0 && S_ISSOCK(there.st_mode)) ::unlink(path_.c_str());
    // Before, so that there is no time in which others may connect; after, in case the kernel took the umask's.
    ::fchmod(listener, socket_mode);
    const bool bound = ::bind(listener, any(address), sizeof(address)) == 0 && ::chmod(path_.c_str(), socket_mode) == 0;
    const int error = errno;
    if (!bound || ::listen(listener, waiting_clients) != 0) {
        const int why = bound ? errno : error;
        ::close(listener);
        return trouble(path_, "can't listen", why);
    }
    listener_ = listener;
    return {};
}

void ControlSocket::run() {
    looked_ = monotonic_now();
    while (!leave_.load()) {
        std::vector<pollfd> watched;
        if (listener_ >= 0 && monotonic_now() >= accept_again_)
            watched.push_back({.fd = listener_, .events = POLLIN, .revents = 0});
        const std::size_t first_client = watched.size();
        for (const Client& client : clients_) {
            const int events = client.unsent.empty() ? POLLIN : POLLIN | POLLOUT;
            watched.push_back({.fd = client.descriptor, .events = static_cast<short>(events), .revents = 0});
        }
        ::poll(watched.data(), watched.size(), poll_timeout(monotonic_now()));
        const core::Instant now = monotonic_now();
        outlet_.snapshot.take();
        take_events();
        for (std::size_t i = 0; i < clients_.size(); ++i) {
            const short news = watched[first_client + i].revents;
            clients_[i].gone = (news & (POLLHUP | POLLERR)) != 0;
            if ((news & (POLLIN | POLLHUP | POLLERR)) != 0) receive(clients_[i], now);
            if ((news & POLLOUT) != 0) flush(clients_[i]);
        }
        drop_clients();  // first, for their room
        if (first_client == 1 && (watched[0].revents & POLLIN) != 0) accept_clients(now);
        answer_saved(now);
        give_up_late(now);
        serve_watchers(now);
        serve_recording();
        drop_clients();
        looked_ = now;
    }
    take_events();  // the log has the last ones too
}

int ControlSocket::poll_timeout(core::Instant now) const {
    core::Duration wait = !pending_.empty() ? pending_wait : clients_.empty() ? lonely_wait : idle_wait;
    for (const Client& client : clients_) {
        if (client.watch_every > 0ns) wait = std::clamp<core::Duration>(client.watch_next - now, 0ns, wait);
    }
    return static_cast<int>(std::chrono::ceil<std::chrono::milliseconds>(wait).count());
}

// ---- clients ---------------------------------------------------------------------------------------------------

void ControlSocket::accept_clients(core::Instant now) {
    while (true) {
        const int descriptor = ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC | SOCK_NONBLOCK);
        if (descriptor < 0) {
            // No descriptor left: whoever waits goes on waiting, and poll would say so at once, again and again.
            if (errno != EAGAIN && errno != EINTR) accept_again_ = now + accept_pause;
            return;
        }
        Client client;
        client.descriptor = descriptor;
        client.tokens_at = now;
        if (clients_.size() >= most_clients) {
            const std::string text =
                formats::error_answer(fmt::format("{} clients are connected; expected no more", most_clients));
            [[maybe_unused]] const ssize_t sent = ::send(descriptor, text.data(), text.size(), MSG_NOSIGNAL);
            ::close(descriptor);
            if (refused_clients_.pass(now)) {
                spdlog::warn("control socket: a client was turned away: {} are connected{}", most_clients,
                             refused_clients_.since());
            }
            continue;
        }
        clients_.push_back(std::move(client));
    }
}

void ControlSocket::receive(Client& client, core::Instant now) {
    std::array<char, formats::longest_request> bytes{};
    const ssize_t count = ::recv(client.descriptor, bytes.data(), bytes.size(), 0);
    if (count == 0 || (count < 0 && errno != EAGAIN && errno != EINTR)) client.drop = true;
    if (count <= 0) return;
    client.received.append(bytes.data(), static_cast<std::size_t>(count));
    std::size_t start = 0;
    for (std::size_t end = 0; (end = client.received.find('\n', start)) != std::string::npos; start = end + 1) {
        if (!std::exchange(client.skips_line, false)) {
            answer(client, std::string_view{client.received}.substr(start, end - start), now);
        }
    }
    client.received.erase(0, start);
    if (client.received.size() > formats::longest_request) {
        if (!client.skips_line) answer(client, client.received, now);  // says that it is too long
        client.skips_line = true;
        client.received.clear();
    }
}

void ControlSocket::answer(Client& client, std::string_view line, core::Instant now) {
    const double passed = std::chrono::duration<double>(now - client.tokens_at).count();
    client.tokens = std::min(requests_per_second, client.tokens + passed * requests_per_second);
    client.tokens_at = now;
    if (client.tokens < 1.0) {
        send(client, formats::error_answer(
                         fmt::format("too many requests; expected at most {} a second", requests_per_second)));
        return;
    }
    client.tokens -= 1.0;
    const formats::Request request = formats::parse_request(line);
    if (const auto* bad = std::get_if<formats::BadRequest>(&request)) {
        send(client, formats::error_answer(bad->error));
    } else if (std::holds_alternative<formats::StatusRequest>(request)) {
        send(client, formats::status_answer(status()));
    } else if (const auto* watch = std::get_if<formats::WatchRequest>(&request)) {
        client.watch_every = std::chrono::duration_cast<core::Duration>(std::chrono::duration<double>(1.0 / watch->hz));
        client.watch_next = now;
    } else if (const auto* record = std::get_if<formats::RecordRequest>(&request)) {
        const auto length = std::chrono::duration_cast<core::Duration>(std::chrono::duration<double>(record->seconds));
        if (recording_ == nullptr || !recording_->ask(length)) {
            return send(client, formats::error_answer("a recording is being made already; expected one at a time"));
        }
        client.records = true;
    } else if (const auto* command = std::get_if<formats::CommandRequest>(&request)) {
        obey(client, *command, now);
    }
}

void ControlSocket::obey(Client& client, const formats::CommandRequest& request, core::Instant now) {
    const auto& limits = configuration_.plan.limits;
    const auto limit = std::find_if(limits.begin(), limits.end(), [&](const auto& l) { return l.id == request.limit; });
    if (request.kind == core::CommandKind::prove_limit && limit == limits.end()) {
        return send(client, formats::error_answer("there is no such limit; expected one of the configuration's ids"));
    }
    // What waited here for longer than its client, or than it would have waited for the answer, is not asked any more.
    // Every turn takes all that has come, so it can't be older than the one before. A hold is never void.
    const bool is_void = request.kind != core::CommandKind::hold && (client.gone || now - looked_ >= command_life);
    if (is_void) {
        send(client, formats::error_answer("the command came too late and is not done; expected: ask again"));
        spdlog::warn("control socket: {} was asked for, but {}: it is not done", core::text(request.kind),
                     client.gone ? "its client has gone" : "it waited too long");
        return;
    }
    const std::uint32_t id = next_id_++;
    const auto index = static_cast<std::uint16_t>(limit == limits.end() ? 0 : limit - limits.begin());
    if (!commands_.push(
            {.kind = request.kind, .origin = core::Origin::local, .id = id, .limit = index, .arrived = now})) {
        send(client, formats::error_answer("the guard takes no more commands just now; expected: try again"));
        return;
    }
    guard_.ring();
    const bool forces = request.kind == core::CommandKind::prove_line || request.kind == core::CommandKind::prove_limit;
    client.proves = client.proves || request.kind == core::CommandKind::prove;
    pending_[id] = {.descriptor = client.descriptor, .until = now + (forces ? proof_timeout : answer_timeout)};
    // Obeyed first, told after.
    const std::string reason = request.reason.empty() ? "no reason given" : "reason: " + request.reason;
    spdlog::info("control socket: {} asked for ({})", core::text(request.kind), reason);
}

void ControlSocket::send(Client& client, std::string_view text) {
    if (client.drop) return;
    // Half a line would be garbage to whoever reads it, so a client that doesn't read goes as a whole.
    if (client.unsent.size() + text.size() > most_unsent_bytes) {
        client.drop = true;
        return;
    }
    client.unsent += text;
    flush(client);
}

void ControlSocket::flush(Client& client) {
    const ssize_t sent =
        ::send(client.descriptor, client.unsent.data(), client.unsent.size(), MSG_NOSIGNAL | MSG_DONTWAIT);
    if (sent > 0) client.unsent.erase(0, static_cast<std::size_t>(sent));
    if (sent < 0 && errno != EAGAIN && errno != EINTR) client.drop = true;
}

void ControlSocket::drop_clients() {
    std::erase_if(clients_, [this](const Client& client) {
        if (!client.drop) return false;
        if (client.records) recording_->leave();
        proof_is_left_ = proof_is_left_ || client.proves;
        std::erase_if(pending_, [&](const auto& entry) { return entry.second.descriptor == client.descriptor; });
        ::close(client.descriptor);
        return true;
    });
    // Where the guard takes no more just now: at the next turn.
    if (proof_is_left_ && commands_.push({.kind = core::CommandKind::prove_end, .origin = core::Origin::local})) {
        proof_is_left_ = false;
        guard_.ring();
    }
}

ControlSocket::Client* ControlSocket::client_of(int descriptor) {
    const auto found = std::find_if(clients_.begin(), clients_.end(),
                                    [=](const Client& client) { return client.descriptor == descriptor; });
    return found == clients_.end() ? nullptr : &*found;
}

// ---- what the guard says ---------------------------------------------------------------------------------------

nlohmann::ordered_json ControlSocket::status() {
    outlet_.snapshot.take();
    return formats::status_json(configuration_, outlet_.snapshot.value(), context_());
}

void ControlSocket::take_events() {
    while (const core::Event* next = outlet_.events.front()) {
        const core::Event event = *next;
        outlet_.events.pop();
        if (outlet_.snapshot.value().now < event.at) outlet_.snapshot.take();
        const core::Snapshot& snapshot = outlet_.snapshot.value();
        const std::span<const core::Reading> around = snapshot.now == event.at
                                                          ? std::span<const core::Reading>{snapshot.quantities}
                                                          : std::span<const core::Reading>{};
        const std::string sentence = formats::sentence(configuration_.plan, event, around);
        write_log(event, sentence);
        const bool watched = std::any_of(clients_.begin(), clients_.end(),
                                         [](const Client& client) { return client.watch_every > 0ns; });
        if (watched) {
            const std::string line =
                formats::watch_event(formats::event_json(configuration_.plan, event, wall_stamp(event.at), around));
            for (Client& client : clients_) {
                if (client.watch_every > 0ns) send(client, line);
            }
        }
        if (event.origin != core::Origin::local) continue;
        const auto waiting = pending_.find(event.command_id);
        if (waiting == pending_.end()) continue;
        if (!is_saved(event)) {
            waiting->second.until = monotonic_now() + answer_timeout;
            waiting->second.done = event;
            waiting->second.sentence = sentence;
            continue;
        }
        if (Client* client = client_of(waiting->second.descriptor)) {
            // Its test is over: when it goes, there is none to end.
            if (event.kind == core::EventKind::proof_passed || event.kind == core::EventKind::proof_ended) {
                client->proves = false;
            }
            send(*client, formats::command_answer(event, sentence));
        }
        pending_.erase(waiting);
    }
}

/// What it changed outlives a restart and a power cut; or it changed nothing of that kind.
bool ControlSocket::is_saved(const core::Event& event) const noexcept {
    const bool lasts = event.kind == core::EventKind::held || event.kind == core::EventKind::released ||
                       event.kind == core::EventKind::reset;
    return !lasts || saved_ == nullptr || saved_->saved_through.load() >= event.at;
}

// Done it is; whether it is said to be for good waits for the storage, though not for long.
void ControlSocket::answer_saved(core::Instant now) {
    std::erase_if(pending_, [&](const auto& entry) {
        const Pending& pending = entry.second;
        if (!pending.done) return false;
        const bool saved = is_saved(*pending.done);
        if (!saved && now < pending.until) return false;
        if (Client* client = client_of(pending.descriptor)) {
            send(*client, saved ? formats::command_answer(*pending.done, pending.sentence)
                                : formats::unsaved_answer(*pending.done, pending.sentence));
        }
        return true;
    });
}

// A flapping sensor must not flood the journal of the machine; our own journal has every event.
void ControlSocket::write_log(const core::Event& event, const std::string& sentence) {
    const auto kind = std::pair{event.kind, event.source};
    RateLimit& limit = log_limits_.try_emplace(kind, log_interval, log_burst).first->second;
    if (!limit.pass(event.at)) return;
    spdlog::log(log_level(core::severity_of(event)), "{}{}", sentence, limit.since());
}

void ControlSocket::serve_watchers(core::Instant now) {
    std::string line;  // made once for all who are due
    for (Client& client : clients_) {
        if (client.watch_every <= 0ns || client.drop || now < client.watch_next) continue;
        client.watch_next = std::max(client.watch_next + client.watch_every, now);
        // Whoever hasn't read the last one gets the next one later, and not both.
        if (!client.unsent.empty()) continue;
        if (line.empty()) line = formats::watch_status(status());
        send(client, line);
    }
}

// In pieces that a reader which is a little late can still take; what waits in the feed is bounded too.
void ControlSocket::serve_recording() {
    const auto found =
        std::find_if(clients_.begin(), clients_.end(), [](const Client& client) { return client.records; });
    if (found == clients_.end() || found->drop || found->unsent.size() > most_unsent_bytes / 4) return;
    const RecordingFeed::Part part = recording_->take();
    constexpr std::size_t piece = most_unsent_bytes / 8;
    // Whole lines, so that no character is cut in two.
    for (std::string_view left{part.text}; !left.empty() && !found->drop;) {
        const std::size_t end = left.size() > piece ? left.rfind('\n', piece) : std::string_view::npos;
        const std::size_t size = end == std::string_view::npos ? left.size() : end + 1;
        send(*found, formats::recording_part(left.substr(0, size), false));
        left.remove_prefix(size);
    }
    if (!part.ended) return;
    found->records = false;
    send(*found, part.overflowed
                     ? formats::error_answer("the recording was not read fast enough, and ends early; expected a "
                                             "reader that keeps up: some 50 KiB a second")
                     : formats::recording_part("", true));
}

void ControlSocket::give_up_late(core::Instant now) {
    std::erase_if(pending_, [&](const auto& entry) {
        if (now < entry.second.until) return false;
        if (Client* client = client_of(entry.second.descriptor)) {
            send(*client, formats::error_answer("the guard didn't answer in time; expected it to decide many times "
                                                "a second: see the log, and take the command as not done"));
        }
        return true;
    });
}

}  // namespace dekeyd
