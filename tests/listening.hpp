// What is logged while a test runs.
#pragma once

#include <spdlog/sinks/base_sink.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <memory>
#include <mutex>
#include <string>
#include <vector>

namespace dekeyd::test {

class Heard final : public spdlog::sinks::base_sink<std::mutex> {
public:
    [[nodiscard]] int count(const std::string& part) {
        const std::lock_guard lock{mutex_};
        return static_cast<int>(std::count_if(lines_.begin(), lines_.end(), [&](const std::string& line) {
            return line.find(part) != std::string::npos;
        }));
    }

private:
    void sink_it_(const spdlog::details::log_msg& message) override {
        lines_.emplace_back(message.payload.data(), message.payload.size());
    }
    void flush_() override {}
    std::vector<std::string> lines_;
};

/// Takes the place of the program's log for as long as it lives.
class Listening {
public:
    Listening() { spdlog::set_default_logger(std::make_shared<spdlog::logger>("heard", heard_)); }
    Listening(const Listening&) = delete;
    Listening& operator=(const Listening&) = delete;
    ~Listening() { spdlog::set_default_logger(before_); }
    Heard* operator->() const noexcept { return heard_.get(); }

private:
    std::shared_ptr<spdlog::logger> before_ = spdlog::default_logger();
    std::shared_ptr<Heard> heard_ = std::make_shared<Heard>();
};

}  // namespace dekeyd::test
