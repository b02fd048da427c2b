#include "base/log.hpp"

#include <spdlog/pattern_formatter.h>
#include <spdlog/sinks/base_sink.h>
#include <unistd.h>

#include <cerrno>
#include <condition_variable>
#include <cstdlib>
#include <deque>
#include <memory>
#include <mutex>
#include <utility>

#include "base/thread.hpp"

namespace dekeyd {

namespace {

constexpr std::size_t most_waiting_lines = 256;

/// Lines between those who log and the one thread that may wait for standard error.
class Lines {
public:
    void put(std::string line) {
        const std::lock_guard lock{mutex_};
        if (waiting_.size() >= most_waiting_lines) {
            ++lost_;
            return;
        }
        waiting_.push_back(std::move(line));
        news_.notify_all();
    }
    /// The thread's: the next line, and how many were lost behind those that wait.
    std::string take(std::uint64_t& lost) {
        std::unique_lock lock{mutex_};
        busy_ = false;
        news_.notify_all();
        news_.wait(lock, [this] { return !waiting_.empty(); });
        std::string line = std::move(waiting_.front());
        waiting_.pop_front();
        lost = waiting_.empty() ? std::exchange(lost_, 0) : 0;
        busy_ = true;
        return line;
    }
    void wait_until_written(core::Duration at_most) {
        std::unique_lock lock{mutex_};
        news_.wait_for(lock, at_most, [this] { return waiting_.empty() && !busy_; });
    }

private:
    std::mutex mutex_;
    std::condition_variable news_;
    std::deque<std::string> waiting_;
    std::uint64_t lost_ = 0;
    bool busy_ = false;  ///< a line is being written
};

/// Never destroyed: its thread may hang in a write for ever.
Lines& log_lines() {
    static auto* const lines = new Lines;
    return *lines;
}

void write_whole(std::string_view text) noexcept {
    while (!text.empty()) {
        const ssize_t written = ::write(STDERR_FILENO, text.data(), text.size());
        if (written < 0 && errno == EINTR) continue;
        if (written < 0 && errno == EAGAIN) {
            ::usleep(10'000);
            continue;
        }
        if (written <= 0) return;
        text.remove_prefix(static_cast<std::size_t>(written));
    }
}

[[noreturn]] void write_lines() {
    while (true) {
        std::uint64_t lost = 0;
        write_whole(log_lines().take(lost));
        if (lost > 0) spdlog::warn("{} lines of this log were lost: standard error was not read in time", lost);
    }
}

/// Only hands over.
class HandOver final : public spdlog::sinks::base_sink<std::mutex> {
    void sink_it_(const spdlog::details::log_msg& message) override {
        spdlog::memory_buf_t text;
        formatter_->format(message, text);
        log_lines().put(std::string{text.data(), text.size()});
    }
    void flush_() override {}
};

/// The journal's "<4>" in front of a line.
class Priority final : public spdlog::custom_flag_formatter {
public:
    void format(const spdlog::details::log_msg& message, const std::tm& /*time*/, spdlog::memory_buf_t& out) override {
        const char digit = [&] {
            switch (message.level) {
                case spdlog::level::critical: return '2';
                case spdlog::level::err: return '3';
                case spdlog::level::warn: return '4';
                case spdlog::level::info: return '6';
                default: return '7';
            }
        }();
        out.push_back('<');
        out.push_back(digit);
        out.push_back('>');
    }
    [[nodiscard]] std::unique_ptr<custom_flag_formatter> clone() const override { return std::make_unique<Priority>(); }
};

}  // namespace

void set_up_log(bool debug) {
    auto logger = std::make_shared<spdlog::logger>("dekeyd", std::make_shared<HandOver>());
    auto formatter = std::make_unique<spdlog::pattern_formatter>();
    if (std::getenv("JOURNAL_STREAM") != nullptr) {
        formatter->add_flag<Priority>('*').set_pattern("%*%v");
    } else {
        formatter->set_pattern("%Y-%m-%dT%H:%M:%S.%e%z %l: %v");
    }
    logger->set_formatter(std::move(formatter));
    logger->set_level(debug ? spdlog::level::debug : spdlog::level::info);
    spdlog::set_default_logger(std::move(logger));
    static auto* const writer = new Thread;
    writer->start("log", Thread::ordinary, [] { write_lines(); });
}

void flush_log(core::Duration at_most) noexcept {
    try {
        log_lines().wait_until_written(at_most);
    } catch (...) {
    }
}

}  // namespace dekeyd
