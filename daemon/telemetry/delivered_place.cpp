#include "telemetry/delivered_place.hpp"

#include <fmt/format.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <atomic>
#include <mutex>
#include <utility>

#include "base/durable_file.hpp"
#include "base/handover.hpp"
#include "base/log.hpp"
#include "base/sealed.hpp"
#include "base/thread.hpp"
#include "base/wall_clock.hpp"
#include "plan/number_text.hpp"

namespace dekeyd {

using namespace std::chrono_literals;

namespace {

constexpr core::Duration write_every = 1s;
constexpr std::size_t longest_place = 256;

struct Point {
    std::string epoch;
    std::uint64_t number = 0;
    bool operator==(const Point&) const = default;
};

// "<8 digits of the checksum> <epoch> <number>\n"
Point point_of(std::string_view text) {
    if (!text.ends_with('\n')) return {};
    const auto content = formats::unsealed_line(text.substr(0, text.size() - 1));
    if (!content) return {};
    const std::size_t space = content->find(' ');
    if (space == std::string_view::npos) return {};
    const auto number = core::to_number<std::uint64_t>(content->substr(space + 1));
    return number ? Point{std::string{content->substr(0, space)}, *number} : Point{};
}

}  // namespace

/// Shared with the thread, so that one that hangs in the kernel never touches what is gone.
class DeliveredPlace::Impl {
public:
    explicit Impl(const std::string& folder) : path_{folder + "/delivered"} {
        const formats::FileBytes file = formats::read_whole(path_, longest_place);
        if (file.ok()) now_ = written_ = point_of(file.bytes);
    }

    void run() noexcept {
        while (!stopping_.load(std::memory_order_acquire)) {
            wake_.wait(monotonic_now() + write_every);
            write();
        }
        write();
        saved_.store(clean_, std::memory_order_release);
    }

    std::uint64_t in(const std::string& epoch, std::uint64_t durable) {
        const std::lock_guard lock{mutex_};
        if (now_.epoch != epoch) now_ = {.epoch = epoch};
        // A storage that lost what it had confirmed: what comes now has those numbers again.
        now_.number = std::min(now_.number, durable);
        return now_.number;
    }
    void set(std::uint64_t number) {
        const std::lock_guard lock{mutex_};
        now_.number = number;
    }
    [[nodiscard]] std::uint64_t number() const {
        const std::lock_guard lock{mutex_};
        return now_.number;
    }

    Wake wake_;
    std::atomic<bool> stopping_{false}, saved_{false};
    Thread thread_;

private:
    void write() noexcept {
        try {
            Point point;
            {
                const std::lock_guard lock{mutex_};
                point = now_;
            }
            clean_ = point == written_;
            if (clean_) return;
            const std::string trouble =
                formats::write_durably(path_, formats::sealed_line(fmt::format("{} {}", point.epoch, point.number)));
            clean_ = trouble.empty();
            if (clean_) written_ = std::move(point);
            if (!clean_ && complaints_.pass(monotonic_now()))
                spdlog::error("{} (events that were delivered may come again){}", trouble, complaints_.since());
        } catch (const std::exception& error) {
            spdlog::error("the place in the journal can't be kept: {}", error.what());
        }
    }

    const std::string path_;
    mutable std::mutex mutex_;
    Point now_;  ///< the mutex's; the rest is the thread's
    Point written_;
    bool clean_ = true;
    RateLimit complaints_{60s};
};

DeliveredPlace::DeliveredPlace(const std::string& folder) : impl_{std::make_shared<Impl>(folder)} {}

DeliveredPlace::~DeliveredPlace() {
    stop(monotonic_now() + 1s);
}

void DeliveredPlace::start() {
    impl_->thread_.start("place", Thread::ordinary, [work = impl_] { work->run(); });
}

bool DeliveredPlace::stop(core::Instant deadline) {
    impl_->stopping_.store(true, std::memory_order_release);
    impl_->wake_.ring();
    return impl_->thread_.join(std::max(deadline - monotonic_now(), core::Duration::zero())) &&
           impl_->saved_.load(std::memory_order_acquire);
}

std::uint64_t DeliveredPlace::in(const std::string& epoch, std::uint64_t durable) {
    return impl_->in(epoch, durable);
}

void DeliveredPlace::set(std::uint64_t number) {
    impl_->set(number);
}

std::uint64_t DeliveredPlace::number() const {
    return impl_->number();
}

}  // namespace dekeyd
