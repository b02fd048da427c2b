#include "soak/contacts.hpp"

#include <cerrno>
#include <string>
#include <system_error>
#include <utility>
#include <vector>

namespace dekeyd::soak {

class Contacts::Request final : public drivers::GpioRequest {
public:
    explicit Request(Pad& pad) noexcept : pad_{pad} {}
    bool set(bool) noexcept override { return false; }
    std::optional<bool> level() noexcept override { return !pad_.closed; }
    std::optional<drivers::GpioEdges> edges() noexcept override { return std::exchange(pad_.edges, {}); }

private:
    Pad& pad_;
};

class Contacts::Board final : public drivers::Gpio {
public:
    explicit Board(Contacts& contacts) noexcept : contacts_{contacts} {}
    std::vector<drivers::GpioChip> chips() override {
        return {{.name = "gpiochip0",
                 .label = "soc",
                 .bus = {},
                 .error = 0,
                 .lines = {{"CONTACTOR", "", false}, {"LID", "", false}, {"LEAK", "", false}}}};
    }
    std::unique_ptr<drivers::GpioRequest> output(const std::string&, unsigned, bool) override {
        throw std::system_error(EPERM, std::generic_category());
    }
    std::unique_ptr<drivers::GpioRequest> input_with_edges(const std::string&, unsigned offset,
                                                           drivers::Bias) override {
        return std::make_unique<Request>(contacts_.pads_.at(offset));
    }

private:
    Contacts& contacts_;
};

void Contacts::move(Name name, bool closed) noexcept {
    Pad& pad = pads_[name];
    if (std::exchange(pad.closed, closed) == closed) return;
    ++(closed ? pad.edges.falling : pad.edges.rising);
}

void Contacts::flick(Name name) noexcept {
    move(name, !pads_[name].closed);
    move(name, !pads_[name].closed);
}

std::unique_ptr<drivers::Gpio> Contacts::gpio() {
    return std::make_unique<Board>(*this);
}

}  // namespace dekeyd::soak
