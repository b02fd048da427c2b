// A board of GPIO chips in memory, which writes down all that is done to it.
#pragma once

#include <cerrno>
#include <map>
#include <memory>
#include <string>
#include <system_error>
#include <utility>
#include <vector>

#include "drivers/gpio.hpp"

namespace dekeyd::test {

using Pad = std::pair<std::string, unsigned>;  // chip and offset

struct Board {
    std::vector<drivers::GpioChip> chips;
    std::vector<std::string> log;  ///< "request gpiochip0:2 low", "set gpiochip0:2 high", "release gpiochip0:2"
    std::map<Pad, bool> high;
    std::map<Pad, drivers::GpioEdges> edges;
    int request_error = 0;  ///< errno of every request
    bool set_fails = false;
    bool level_fails = false;
};

class FakeRequest final : public drivers::GpioRequest {
public:
    FakeRequest(Board& board, Pad pad) : board_(board), pad_(std::move(pad)) {}
    ~FakeRequest() override { board_.log.push_back("release " + name()); }

    bool set(bool high) noexcept override {
        if (board_.set_fails) return false;
        board_.log.push_back("set " + name() + (high ? " high" : " low"));
        board_.high[pad_] = high;
        return true;
    }
    std::optional<bool> level() noexcept override {
        errno = ENODEV;
        if (board_.level_fails) return std::nullopt;
        return board_.high[pad_];
    }
    std::optional<drivers::GpioEdges> edges() noexcept override {
        errno = ENODEV;
        if (board_.level_fails) return std::nullopt;
        return std::exchange(board_.edges[pad_], {});
    }

private:
    [[nodiscard]] std::string name() const { return pad_.first + ":" + std::to_string(pad_.second); }
    Board& board_;
    Pad pad_;
};

class FakeGpio final : public drivers::Gpio {
public:
    explicit FakeGpio(Board& board) : board_(board) {}
    std::vector<drivers::GpioChip> chips() override { return board_.chips; }
    std::unique_ptr<drivers::GpioRequest> output(const std::string& chip, unsigned offset, bool high) override {
        return request(chip, offset, high ? " high" : " low", high);
    }
    std::unique_ptr<drivers::GpioRequest> input_with_edges(const std::string& chip, unsigned offset,
                                                           drivers::Bias bias) override {
        const bool up = bias == drivers::Bias::pull_up;
        return request(chip, offset, up ? " pull-up" : " pull-down", board_.high[{chip, offset}]);
    }

private:
    std::unique_ptr<drivers::GpioRequest> request(const std::string& chip, unsigned offset, const char* how,
                                                  bool high) {
        if (board_.request_error != 0) throw std::system_error(board_.request_error, std::generic_category());
        board_.log.push_back("request " + chip + ":" + std::to_string(offset) + how);
        board_.high[{chip, offset}] = high;
        return std::make_unique<FakeRequest>(board_, Pad{chip, offset});
    }
    Board& board_;
};

/// Two chips of the processor and an expander: enough to be mistaken.
inline Board demo_board() {
    using drivers::GpioChip;
    return {
        .chips = {GpioChip{
                      .name = "gpiochip0",
                      .label = "pinctrl-soc",
                      .bus = "",
                      .error = 0,
                      .lines = {{"", "", false}, {"SDA", "", false}, {"AMP_ENABLE", "", false}, {"LID", "", false}}},
                  GpioChip{.name = "gpiochip1",
                           .label = "aux-soc",
                           .bus = "",
                           .error = 0,
                           .lines = {{"FAN_ON", "fan", true}, {"", "", false}}},
                  GpioChip{.name = "gpiochip2",
                           .label = "1-0020",
                           .bus = "I2C",
                           .error = 0,
                           .lines = {{"SPARE", "", false}, {"LAMP", "", false}}}},
        .log = {},
        .high = {},
        .edges = {}};
}

/// The message of the LineError that `work` throws; empty: it threw none.
template <class Work>
std::string line_error(Work&& work, bool* busy = nullptr) {
    try {
        work();
    } catch (const drivers::LineError& error) {
        if (busy != nullptr) *busy = error.busy;
        return error.what();
    }
    return {};
}

inline bool holds(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

}  // namespace dekeyd::test
