#include "telemetry/history_pieces.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>
#include <utility>

#include "messages/overview.hpp"
#include "telemetry/published/discovery.hpp"
#include "words/reason.hpp"

namespace dekeyd {
namespace {

/// The permit, beside the quantities: 1 or 0; a bin's mean is the share of its time.
constexpr std::string_view permit_id = "permit";
constexpr core::Duration piece_every = std::chrono::milliseconds{200};
constexpr core::Duration listen_for = std::chrono::seconds{3};
constexpr std::size_t most_quantities = 15;
constexpr core::Duration part_every = std::chrono::milliseconds{200};
constexpr core::Duration part_within = std::chrono::seconds{5};  ///< of the guard
constexpr std::size_t most_fetched = 4, longest_name = 200;

/// What a sensor measures or a limit may trip on, and what the page draws beside that.
bool is_kept(const core::Plan& plan, core::QuantityIndex quantity) {
    if (!core::can_be_known(plan, quantity)) return false;
    const homie::Shown shown = homie::shown_quantity(plan, quantity);
    const core::DerivedRule* const rule = core::rule_of(plan, quantity);
    const bool drawn = rule != nullptr && (rule->derived == core::Derived::settling_temperature ||
                                           rule->derived == core::Derived::compression);
    return shown.face == homie::Face::reading && (shown.rank <= homie::Rank::shown || drawn);
}

}  // namespace

CaptureFetch::CaptureFetch(const formats::Configuration& configuration, GuardView& guard, Outbox& outbox)
    : asked_topic_{fmt::format("homie/5/{}/recorder/fetch/set", configuration.id)},
      answer_topic_{fmt::format("dekeyd/{}/capture", configuration.id)},
      guard_{guard},
      outbox_{outbox} {}

void CaptureFetch::begin_session() {
    waiting_.clear();
    part_.reset();
    asked_at_.reset();
    offset_ = 0;
}

bool CaptureFetch::hear(const homie::Incoming& message) {
    if (message.topic != asked_topic_) return false;
    const bool whole = message.size > 0 && message.size <= longest_name && message.size == message.payload.size();
    const bool known = std::find(waiting_.begin(), waiting_.end(), message.payload) != waiting_.end();
    if (whole && !known && !message.retained && waiting_.size() < most_fetched) waiting_.push_back(message.payload);
    return true;
}

void CaptureFetch::send(core::Instant now) {
    if (waiting_.empty() || now < next_) return;
    if (!asked_at_ && !part_) {
        guard_.want_capture(waiting_.front(), offset_);
        asked_at_ = now;
    }
    if (auto part = guard_.take_capture(); part && part->name == waiting_.front() && part->offset == offset_)
        part_ = std::move(part);
    if (!part_ && asked_at_ && now - *asked_at_ > part_within)
        part_ = formats::FeedCapture{.name = waiting_.front(), .offset = offset_, .error = "the guard doesn't answer"};
    if (!part_ || !answer(*part_, now)) return;
    offset_ += part_->text.size();
    if (!part_->error.empty() || part_->text.empty() || offset_ >= part_->size) {
        waiting_.pop_front();
        offset_ = 0;
    }
    part_.reset();
    asked_at_.reset();
    next_ = now + part_every;
}

bool CaptureFetch::answer(const formats::FeedCapture& part, core::Instant now) {
    nlohmann::ordered_json json;
    json["name"] = part.name;
    json["offset"] = part.offset;
    json["size"] = part.size;
    json["text"] = part.text;
    if (!part.error.empty()) json["error"] = part.error;
    const std::string text = json.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
    return outbox_.send({.topic = answer_topic_, .payload = text, .keep_free = Outbox::spare_slots, .retained = false},
                        now);
}

HistoryPieces::HistoryPieces(const formats::Configuration& configuration, GuardView& guard, Outbox& outbox,
                             MqttLink& link)
    : plan_{configuration.plan},
      base_{fmt::format("dekeyd/{}/history", configuration.id)},
      outbox_{outbox},
      link_{link},
      fetch_{configuration, guard, outbox} {
    std::vector<std::string> ids;
    for (std::size_t i = 0; i < plan_.quantity_count() && ids.size() < most_quantities; ++i) {
        const auto index = static_cast<core::QuantityIndex>(i);
        if (!is_kept(plan_, index)) continue;
        quantities_.push_back(index);
        ids.emplace_back(core::describe(plan_, index).id);
    }
    ids.emplace_back(permit_id);
    values_.resize(ids.size());
    for (const formats::HistoryLevel& level : formats::history_levels)
        levels_.push_back({.gatherer = formats::PieceGatherer{level, ids}});
}

std::string HistoryPieces::topic(std::size_t level, std::int64_t place) const {
    return fmt::format("{}/{}/{}", base_, formats::history_levels[level].id, place);
}

void HistoryPieces::add(const core::Snapshot& snapshot, double wall_s) {
    for (std::size_t i = 0; i < quantities_.size(); ++i) {
        const core::Reading& reading = snapshot.quantities[quantities_[i]];
        values_[i] = formats::has_number(reading) ? reading.value : formats::PieceGatherer::unknown;
    }
    values_.back() = formats::may_transmit(snapshot) ? 1.0 : 0.0;
    for (std::size_t level = 0; level < levels_.size(); ++level) {
        Level& own = levels_[level];
        own.gatherer.add(wall_s, values_);
        for (auto piece = own.gatherer.due(); piece; piece = own.gatherer.due()) {
            own.pieces[piece->place] = std::move(piece->text);
            std::erase(waiting_, std::pair{level, piece->place});
            waiting_.emplace_back(level, piece->place);
        }
    }
}

void HistoryPieces::begin_session() {
    fetch_.begin_session();
    waiting_.clear();
    refused_ = false;
    // An earlier life's pieces that this session's end has kept back.
    if (std::any_of(levels_.begin(), levels_.end(), [](const Level& level) { return !level.asked.empty(); }))
        asked_ = false;
    listens_until_ = {};
    // The hour last, so that it goes first.
    for (std::size_t level = levels_.size(); level-- > 0;) {
        for (const auto& [place, text] : levels_[level].pieces) waiting_.emplace_back(level, place);
    }
    for (Level& level : levels_) level.asked.clear();
}

void HistoryPieces::ask(core::Instant now) {
    if (asked_ || !levels_.front().gatherer.place()) return;
    asked_ = true;
    listens_until_ = now + listen_for;
    for (std::size_t level = 0; level < levels_.size(); ++level) {
        const std::string wanted = topic(level, levels_[level].gatherer.place().value_or(0));
        if (outbox_.subscribe(wanted, 0, Purpose::sweep, now)) levels_[level].asked = wanted;
    }
}

bool HistoryPieces::hear(const homie::Incoming& message) {
    if (fetch_.hear(message)) return true;
    if (!message.retained || !message.topic.starts_with(base_)) return false;
    for (Level& level : levels_) {
        if (message.topic == level.asked && message.payload.size() == message.size)
            level.gatherer.recall(message.payload);
    }
    return true;
}

void HistoryPieces::send(core::Instant now) {
    fetch_.send(now);
    // What an earlier life has left must be heard before it is written over.
    if (now < listens_until_) return;
    for (Level& level : levels_) {
        if (level.asked.empty()) continue;
        link_.unsubscribe(level.asked, Outbox::no_slot);
        level.asked.clear();
    }
    if (now < next_ || waiting_.empty() || refused_) return;
    const auto [level, place] = waiting_.back();
    if (!outbox_.send({.topic = topic(level, place),
                       .payload = levels_[level].pieces[place],
                       .purpose = Purpose::past,
                       .keep_free = Outbox::spare_slots},
                      now))
        return;
    waiting_.pop_back();
    next_ = now + piece_every;
}

}  // namespace dekeyd
