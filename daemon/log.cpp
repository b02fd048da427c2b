#include "daemon/log.hpp"

#include <spdlog/pattern_formatter.h>
#include <spdlog/sinks/stdout_sinks.h>

#include <cstdlib>
#include <memory>
#include <utility>

namespace dekeyd {

namespace {

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
    auto logger = std::make_shared<spdlog::logger>("dekeyd", std::make_shared<spdlog::sinks::stderr_sink_mt>());
    auto formatter = std::make_unique<spdlog::pattern_formatter>();
    if (std::getenv("JOURNAL_STREAM") != nullptr) {
        formatter->add_flag<Priority>('*').set_pattern("%*%v");
    } else {
        formatter->set_pattern("%Y-%m-%dT%H:%M:%S.%e%z %l: %v");
    }
    logger->set_formatter(std::move(formatter));
    logger->set_level(debug ? spdlog::level::debug : spdlog::level::info);
    spdlog::set_default_logger(std::move(logger));
}

}  // namespace dekeyd
