#include "dekeyctl/follow/place_file.hpp"

#include <fmt/format.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <condition_variable>
#include <mutex>
#include <thread>
#include <utility>

#include "base/durable_file.hpp"
#include "base/sealed.hpp"
#include "plan/number_text.hpp"

namespace dekeyd::ctl {
namespace {

constexpr std::size_t longest_file = 256;
constexpr std::string_view no_epoch = "-";

}  // namespace

// "<8 digits of the checksum> <epoch> <number> here|away\n"
std::string to_text(const KeptPlace& kept) {
    const Place place = kept.place.value_or(Place{std::string{no_epoch}, 0});
    return formats::sealed_line(fmt::format("{} {} {}", place.epoch, place.number, kept.told_away ? "away" : "here"));
}

std::optional<KeptPlace> place_from_text(std::string_view text) {
    if (!text.ends_with('\n')) return std::nullopt;
    const auto content = formats::unsealed_line(text.substr(0, text.size() - 1));
    if (!content) return std::nullopt;
    const std::size_t first = content->find(' '), second = content->rfind(' ');
    if (first == std::string_view::npos || first == 0 || second <= first + 1) return std::nullopt;
    const std::string_view epoch = content->substr(0, first), word = content->substr(second + 1);
    const auto number = core::to_number<std::uint64_t>(content->substr(first + 1, second - first - 1));
    if (!number || (word != "here" && word != "away")) return std::nullopt;
    KeptPlace kept{.told_away = word == "away"};
    if (epoch != no_epoch) kept.place = Place{.epoch = std::string{epoch}, .number = *number};
    return kept;
}

/// Shared with the thread, so that one that hangs in the kernel never touches what is gone.
class PlaceFile::Impl {
public:
    explicit Impl(std::string path) : path_{std::move(path)}, bell_{::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)} {}
    ~Impl() {
        if (bell_ >= 0) ::close(bell_);
    }
    Impl(const Impl&) = delete;
    Impl& operator=(const Impl&) = delete;

    void run() {
        std::unique_lock lock{mutex_};
        while (true) {
            news_.wait(lock, [this] { return wanted_ || stops_; });
            if (!wanted_) break;
            const KeptPlace kept = *std::exchange(wanted_, std::nullopt);
            lock.unlock();
            std::string trouble = formats::write_durably(path_, to_text(kept));
            lock.lock();
            trouble_ = std::move(trouble);
            busy_ = wanted_.has_value();
            static_cast<void>(::eventfd_write(bell_, 1));
        }
        ended_ = true;
        done_.notify_all();
    }

    const std::string path_;
    const int bell_;
    mutable std::mutex mutex_;
    std::condition_variable news_, done_;
    std::optional<KeptPlace> wanted_;
    std::string trouble_;
    bool busy_ = false, stops_ = false, ended_ = false;
};

PlaceFile::PlaceFile(std::string path) {
    if (path.empty()) return;
    const formats::FileBytes file = formats::read_whole(path, longest_file);
    was_there_ = file.error != ENOENT;
    if (file.ok()) {
        if (const auto kept = place_from_text(file.bytes))
            found_ = *kept;
        else
            damage_ = fmt::format("{} is damaged, or was not written by 'dekeyctl follow'", path);
    } else if (was_there_) {
        damage_ = file.too_large ? fmt::format("{} was not written by 'dekeyctl follow'", path)
                                 : formats::file_trouble("can't read", path, file.error);
    }
    impl_ = std::make_shared<Impl>(std::move(path));
    std::thread{[work = impl_] { work->run(); }}.detach();
}

PlaceFile::~PlaceFile() {
    static_cast<void>(stop(std::chrono::seconds{2}));
}

void PlaceFile::save(const KeptPlace& kept) {
    if (!impl_) return;
    const std::lock_guard lock{impl_->mutex_};
    impl_->wanted_ = kept;
    impl_->busy_ = true;
    impl_->news_.notify_one();
}

std::optional<std::string> PlaceFile::last_try() const {
    if (!impl_) return std::string{};
    const std::lock_guard lock{impl_->mutex_};
    return impl_->busy_ ? std::nullopt : std::optional{impl_->trouble_};
}

int PlaceFile::descriptor() const noexcept {
    return impl_ ? impl_->bell_ : -1;
}

void PlaceFile::hear() noexcept {
    eventfd_t count = 0;
    if (impl_) static_cast<void>(::eventfd_read(impl_->bell_, &count));
}

bool PlaceFile::stop(std::chrono::milliseconds at_most) {
    if (!impl_) return true;
    std::unique_lock lock{impl_->mutex_};
    impl_->stops_ = true;
    impl_->news_.notify_one();
    return impl_->done_.wait_for(lock, at_most, [this] { return impl_->ended_; });
}

}  // namespace dekeyd::ctl
