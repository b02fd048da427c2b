// Ratios averaged over scans, for an envelope that moves. What real envelopes do to them: tests/emissions.
#include "measure/average.hpp"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <optional>
#include <random>
#include <vector>

#include "timeline.hpp"

using namespace timeline;

namespace {

Plan voice_plan() {
    Plan p = plan();
    p.rf.emission.ratio_time = 2s;
    return p;
}

const Reading& vswr(Bench& b) {
    return b.protection.snapshot().quantities[b.the_plan.index(Derived::vswr)];
}

// Each reading is of a power of its own, 8 to 64 W.
class Speech {
public:
    void scan(Bench& b, double gamma) {
        b.forward_w = next();
        b.reflected_w = gamma * gamma * next();
        b.forward_again_w = next();
        b.drive_w = b.forward_w / 60.0;
    }

private:
    double next() { return std::exp2(3.0 + 3.0 * static_cast<double>(random_()) / std::minstd_rand::max()); }
    std::minstd_rand random_{7};
};

/// Until the permit ends.
Duration speak_until_trip(Bench& b, double gamma, Duration most) {
    const Instant begin = b.now;
    Speech speech;
    while (b.now - begin <= most) {
        speech.scan(b, gamma);
        const Instant at = b.now;
        if (!b.step()) return at - begin;
    }
    return -1s;
}

}  // namespace

TEST_CASE("average: a moving envelope is no fault, and a steady one is where nothing is said") {
    Bench averaged{voice_plan()};
    REQUIRE(averaged.start());
    CHECK(speak_until_trip(averaged, 0.13, 60s) == -1s);
    CHECK(vswr(averaged).health == Health::good);
    CHECK(vswr(averaged).value == doctest::Approx(1.3).epsilon(0.05));  // (1 + 0.13) / (1 - 0.13)
    Bench strict;
    REQUIRE(strict.start());
    CHECK(speak_until_trip(strict, 0.13, 60s) > 0s);
}

TEST_CASE("average: a bad load trips by the VSWR alone") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 10s) == -1s);
    const Duration later = speak_until_trip(b, 1.5 / 3.5, 10s);
    CHECK(later > 100ms);
    CHECK(later < 4s);
    CHECK(b.last(EventKind::tripped)->source == vswr_high);
}

TEST_CASE("average: a bad load at the first word trips as soon as sixteen scans tell it") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    b.key(20.0, 0.5);
    const Duration later = b.until(false, 10s);
    CHECK(later >= 15 * 20ms);
    CHECK(later <= 18 * 20ms);
}

TEST_CASE("average: reflected that forward doesn't explain is unknown, and is borne for no longer than stated") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    int scan = 0;
    bool told_late = false;
    const Instant begin = b.now;
    do {
        b.key(100.0, 0.0);
        b.reflected_w = scan++ % 25 == 0 ? 11.0 : 0.01;
        if (b.now > begin + 100ms && b.now < begin + 1800ms) {
            told_late = told_late || vswr(b).health == Health::unknown;  // what was told last, as young as its readings
        }
    } while (b.step() && b.now - begin < 10s);
    CHECK_FALSE(told_late);
    CHECK(b.now - begin >= 1800ms);
    CHECK(b.now - begin <= 2060ms);
    CHECK(vswr(b).health == Health::unknown);
    CHECK(b.protection.snapshot().quantities[b.the_plan.index(Derived::peak_forward)].health == Health::good);
}

TEST_CASE("average: a reflected detector that is lost is unknown at its age under a moving envelope") {
    Plan p = voice_plan();
    p.limits[reflected_high].trips = false;  // nothing else speaks for it
    p.channels[reflected].required = false;
    Bench b{p};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 10s) == -1s);
    b.faults[reflected] = Fault::io_error;
    const Duration later = speak_until_trip(b, 0.13, 2s);
    CHECK(later >= 80ms);
    CHECK(later <= 140ms);
}

TEST_CASE("average: a pause as long as the averaging time begins anew") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 5s) == -1s);
    b.unkey();
    b.forward_again_w = -1.0;
    REQUIRE(b.run(1900ms, true));
    CHECK(vswr(b).health == Health::good);  // between two words
    REQUIRE(b.run(200ms, true));
    CHECK(vswr(b).health == Health::not_measurable);
    b.key(20.0, 0.5);  // what was good before counts for nothing
    CHECK(b.until(false, 10s) <= 18 * 20ms);
}

TEST_CASE("average: the limits on powers act at once") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 5s) == -1s);
    b.reflected_w = 12.0;
    b.forward_w = b.forward_again_w = 100.0;
    CHECK(b.until(false, 1s) <= 20ms);
    CHECK(b.last(EventKind::tripped)->source == reflected_high);
}

TEST_CASE("average: a steady carrier reads as it does without an average, interval and all") {
    Bench averaged{voice_plan()}, plain;
    for (Bench* b : {&averaged, &plain}) {
        REQUIRE(b->start());
        b->key(60.0, 0.2);
        REQUIRE(b->run(3s, true));
    }
    for (const Derived d :
         {Derived::vswr, Derived::reflection, Derived::return_loss, Derived::net_power, Derived::gain}) {
        const QuantityIndex index = plain.the_plan.index(d);
        const Reading& with = averaged.protection.snapshot().quantities[index];
        const Reading& without = plain.protection.snapshot().quantities[index];
        CAPTURE(describe(plain.the_plan, index).id);
        REQUIRE(without.health == Health::good);
        CHECK(without.low < without.value);
        CHECK(with.health == Health::good);
        CHECK(with.value == doctest::Approx(without.value).epsilon(1e-6));
        CHECK(with.low == doctest::Approx(without.low).epsilon(1e-6));
        CHECK(with.high == doctest::Approx(without.high).epsilon(1e-6));
    }
}

TEST_CASE("average: a drive that was lost for a second counts for nothing while it was") {
    Plan p = voice_plan();
    p.channels[drive].required = false;
    Bench b{p};
    REQUIRE(b.start());
    b.key(60.0, 0.1);
    REQUIRE(b.run(3s, true));
    const auto gain = [&] { return b.protection.snapshot().quantities[b.the_plan.index(Derived::gain)]; };
    const double before = gain().value;  // 60 times: 17.8 dB
    CHECK(before == doctest::Approx(17.78).epsilon(0.001));
    b.faults[drive] = Fault::io_error;
    b.run(1s, true);
    CHECK(gain().health == Health::unknown);
    b.faults[drive] = Fault::none;
    b.step();
    CHECK(gain().value == doctest::Approx(before).epsilon(1e-6));
}

TEST_CASE("average: the gain is that of the means, whatever the envelope does, with the drive's own interval") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    Speech speech;
    const auto gain = [&] { return b.protection.snapshot().quantities[b.the_plan.index(Derived::gain)]; };
    for (int scan = 0; scan < 1000; ++scan) {
        speech.scan(b, 0.13);
        b.drive_w = (b.forward_w + b.forward_again_w) / 120.0;
        b.step();
        if (scan < 500) continue;
        CHECK(gain().value == doctest::Approx(17.78).epsilon(0.005));
        const Reading& single = b.protection.snapshot().quantities[drive];
        const double drive_db = 10.0 * std::log10(single.high / single.value);
        CHECK(drive_db > 0.01);
        CHECK(gain().high - gain().value > drive_db);
        CHECK(gain().value - gain().low > drive_db);
    }
}

TEST_CASE("average: without a drive sensor there is a ratio all the same") {
    Plan p = voice_plan();
    p.roles.drive.reset();
    p.limits.erase(p.limits.begin() + overdrive);
    Bench b{p};
    REQUIRE(b.start());
    b.key(60.0, 0.13);
    CHECK(b.run(3s, true));
    CHECK(vswr(b).value == doctest::Approx(1.3).epsilon(0.01));
}

TEST_CASE("average: until sixteen scans tell it the match is not measurable, and all else is as it was") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    b.key(60.0, 0.13);
    for (int scan = 0; scan < 15; ++scan) {
        b.step();
        CHECK(vswr(b).health == Health::not_measurable);
        CHECK(b.protection.snapshot().quantities[b.the_plan.index(Derived::mean_forward)].health == Health::good);
    }
    for (int scan = 0; scan < 4 && vswr(b).health != Health::good; ++scan) b.step();
    CHECK(vswr(b).health == Health::good);
    const double before = vswr(b).value;
    // Reflected jumps, below its own trip: the ratio scatters too much to be told, and what was told stands.
    b.reflected_w = 11.0;
    b.step();
    CHECK(vswr(b).health == Health::good);
    CHECK(vswr(b).value == before);
    CHECK(vswr(b).taken == b.now - 21ms);
}

TEST_CASE("average: after the machine slept nothing of before counts") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 5s) == -1s);
    b.slept = 1h;
    b.step();
    CHECK(vswr(b).health != Health::good);
    for (int scan = 0; scan < 12; ++scan) {
        b.key(20.0, 0.13);
        b.step();
        CHECK(vswr(b).health == Health::not_measurable);
    }
}

TEST_CASE("average: its state goes on to the same bits") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    REQUIRE(speak_until_trip(b, 0.13, 3s) == -1s);
    Bench other{voice_plan()};
    REQUIRE(other.protection.take_state(b.protection.state()));
    CHECK(other.protection.state() == b.protection.state());
    other.now = b.now;
    for (Bench* bench : {&b, &other}) speak_until_trip(*bench, 0.3, 2s);
    CHECK(other.protection.state() == b.protection.state());
}

TEST_CASE("average: a load that reflects less than the detector's floor is good") {
    Bench b{voice_plan()};
    REQUIRE(b.start());
    CHECK(speak_until_trip(b, 0.0, 20s) == -1s);
    CHECK(vswr(b).health == Health::at_floor);
    CHECK(vswr(b).low == 1.0);
}

TEST_CASE("average: damaged readings are no ratio") {
    RfPlan rf = voice_plan().rf;
    BracketAverage average{rf};
    const auto power = [](double w, Instant at) {
        return Reading{.value = w, .low = w, .high = w, .health = Health::good, .fault = Fault::none, .taken = at};
    };
    Instant at{1000s};
    for (int i = 0; i < 200; ++i, at += 20ms)
        CHECK(average.add({power(20.0, at), power(std::nan(""), at), power(20.0, at)}, nullptr) !=
              BracketAverage::Told::ratio);
    CHECK(average.add({power(20.0, at), power(1.0, at), power(20.0, at)}, nullptr) == BracketAverage::Told::never);
}

namespace {

// What the header says, worked out anew from every bracket there was.
class AverageByDefinition {
public:
    explicit AverageByDefinition(Duration span) : span_{span} {}

    struct Entry {
        double forward, reflected;
        bool floor;
        std::optional<double> drive;
        Duration age{};
    };
    enum class Answer { quiet, near, good, bad, bad_too_long };

    Answer add(Instant at, const Entry& entry, bool rf) {
        const Duration passed = entries_.empty() || at < now_ ? Duration::zero() : at - now_;
        if (entries_.empty() || at > now_) now_ = at;
        for (Entry& e : entries_) e.age += passed;
        entries_.push_back(entry);
        if (rf) rf_at_ = now_;
        if (now_ - rf_at_ >= span_) {
            *this = AverageByDefinition{span_};
            return Answer::quiet;
        }
        // As many equal brackets as tell as much as these do.
        const double count = std::pow(total(&Entry::forward), 2.0) / squares([](const Entry& e) { return e.forward; });
        if (std::abs(count - 16.0) < 1e-6 || std::abs(doubt() - 0.25) < 1e-6) return Answer::near;
        if (count >= 16.0 && doubt() <= 0.25) {
            owed_ = Duration::zero();
            return Answer::good;
        }
        if (rf) owed_ += passed;
        return owed_ < span_ ? Answer::bad : Answer::bad_too_long;
    }

    double forward() const { return total(&Entry::forward) / weights(); }
    double reflected() const { return total(&Entry::reflected) / weights(); }
    double drive() const {
        double sum = 0.0, all = 0.0;
        for (const Entry& e : entries_) {
            if (!e.drive) continue;
            sum += weight(e) * *e.drive;
            all += weight(e);
        }
        return sum / all;
    }
    /// Of the reflected power, by how many times its part on the floor is more than the rest.
    double floor_share() const {
        double sum = 0.0;
        for (const Entry& e : entries_) sum += e.floor ? weight(e) * e.reflected : 0.0;
        return sum / total(&Entry::reflected);
    }
    double doubt() const {
        const double ratio = total(&Entry::reflected) / total(&Entry::forward);
        const double off = squares([&](const Entry& e) { return e.reflected - ratio * e.forward; });
        return 2.0 * std::sqrt(off) / total(&Entry::reflected);
    }

private:
    double weight(const Entry& e) const { return std::exp(-seconds(e.age) / seconds(span_)); }
    double weights() const {
        double sum = 0.0;
        for (const Entry& e : entries_) sum += weight(e);
        return sum;
    }
    double total(double Entry::*of) const {
        double sum = 0.0;
        for (const Entry& e : entries_) sum += weight(e) * e.*of;
        return sum;
    }
    template <class Of>
    double squares(Of of) const {
        double sum = 0.0;
        for (const Entry& e : entries_) sum += std::pow(weight(e) * of(e), 2.0);
        return sum;
    }

    Duration span_;
    std::vector<Entry> entries_;
    Instant now_{}, rf_at_{};
    Duration owed_{};
};

struct Stretch {
    enum class Of { steady, speech, scattered, quiet, floor, both_floors } of;
    int brackets;
};

class RandomBrackets {
public:
    explicit RandomBrackets(unsigned seed) : random_{seed} {}

    Stretch stretch() {
        constexpr std::array kinds = {Stretch::Of::steady,     Stretch::Of::speech, Stretch::Of::scattered,
                                      Stretch::Of::scattered,  Stretch::Of::quiet,  Stretch::Of::floor,
                                      Stretch::Of::both_floors};
        return {kinds.at(random_() % kinds.size()), 1 + static_cast<int>(random_() % 130)};
    }
    /// Mostly the next scan; sometimes late, very late, at the same moment or before.
    Duration next() {
        switch (random_() % 40) {
            case 0: return 500ms;
            case 1: return 0s;
            case 2: return -20ms;
            case 3: return random_() % 20 == 0 ? Duration{7s} : Duration{20ms};
            default: return 20ms;
        }
    }
    double power() { return std::exp2(3.0 + 3.0 * part()); }
    double part() { return static_cast<double>(random_()) / std::minstd_rand::max(); }
    bool one_in(unsigned n) { return random_() % n == 0; }

private:
    std::minstd_rand random_;
};

Reading reading_of_power(double w, Health health, Instant at) {
    return {.value = w, .low = 0.0, .high = w, .health = health, .fault = Fault::none, .taken = at};
}

}  // namespace

TEST_CASE("average: what it tells is what its definition tells, for any powers at any moments") {
    using Told = BracketAverage::Told;
    RfPlan rf = voice_plan().rf;
    std::array<int, 5> answers{};
    int on_floor = 0;
    for (unsigned seed = 1; seed <= 12; ++seed) {
        CAPTURE(seed);
        RandomBrackets random{seed};
        BracketAverage average{rf};
        AverageByDefinition definition{rf.emission.ratio_time};
        bool told_apart = false;  // a rounding decided: from here on the two may go different ways
        for (Instant at{1000s}; at < Instant{1060s} && !told_apart;) {
            const Stretch stretch = random.stretch();
            const double gamma = 0.05 + 0.4 * random.part();
            for (int i = 0; i < stretch.brackets && !told_apart; ++i, at += random.next()) {
                double before = 40.0, after = 40.0, reflected = gamma * gamma * 40.0;
                Health forward_health = Health::good, reflected_health = Health::good;
                switch (stretch.of) {
                    case Stretch::Of::steady: break;
                    case Stretch::Of::speech:
                        before = random.power(), after = random.power(), reflected = gamma * gamma * random.power();
                        break;
                    case Stretch::Of::scattered: reflected = random.one_in(25) ? 11.0 : 0.01; break;
                    case Stretch::Of::quiet: before = after = 0.01, reflected = 0.001; break;
                    case Stretch::Of::floor: reflected = 0.02, reflected_health = Health::at_floor; break;
                    case Stretch::Of::both_floors:
                        before = after = 0.02, forward_health = Health::at_floor;
                        reflected = 0.02, reflected_health = Health::at_floor;
                        break;
                }
                const Bracket bracket{reading_of_power(before, forward_health, at),
                                      reading_of_power(reflected, reflected_health, at + 1ms),
                                      reading_of_power(after, random.one_in(9) ? forward_health : Health::good, at)};
                const double after_w = bracket.forward_after.health == Health::good ? after : 0.0;
                const double before_w = forward_health == Health::good ? before : 0.0;
                std::optional<double> drive_w;
                if (!random.one_in(3)) drive_w = random.power() / 60.0;
                const Reading drive = reading_of_power(drive_w.value_or(0.0), Health::good, at);

                const Told told = average.add(bracket, drive_w ? &drive : nullptr);
                const auto answer = definition.add(at,
                                                   {.forward = (before_w + after_w) / 2.0,
                                                    .reflected = reflected,
                                                    .floor = reflected_health == Health::at_floor,
                                                    .drive = drive_w},
                                                   bracket_state(rf, bracket) != BracketState::not_measurable);
                CAPTURE(at.time_since_epoch().count());
                ++answers.at(static_cast<std::size_t>(answer));
                switch (answer) {
                    case AverageByDefinition::Answer::quiet: CHECK(told == Told::quiet); continue;
                    case AverageByDefinition::Answer::near: told_apart = true; continue;
                    case AverageByDefinition::Answer::good: CHECK(told == Told::ratio); break;
                    case AverageByDefinition::Answer::bad: CHECK(told == Told::not_yet); break;
                    case AverageByDefinition::Answer::bad_too_long: CHECK(told == Told::never); break;
                }
                const Bracket means = average.means();
                CHECK(means.forward_before.value == doctest::Approx(definition.forward()));
                CHECK(means.forward_after.value == means.forward_before.value);
                CHECK(means.forward_before.low == means.forward_before.value);
                CHECK(means.forward_before.high == means.forward_before.value);
                CHECK(means.forward_before.health == Health::good);
                CHECK(means.reflected.value == doctest::Approx(definition.reflected()));
                CHECK(means.reflected.high == means.reflected.value);
                if (const double share = definition.floor_share(); std::abs(share - 0.5) > 1e-9) {
                    CHECK(means.reflected.health == (share > 0.5 ? Health::at_floor : Health::good));
                    CHECK(means.reflected.low == (share > 0.5 ? 0.0 : means.reflected.value));
                    on_floor += share > 0.5;
                }
                CHECK(average.doubt_db() ==
                      doctest::Approx(10.0 * std::log10(1.0 + std::min(definition.doubt(), 1.0))).epsilon(1e-6));
                if (drive_w) {
                    CHECK(average.drive().value == doctest::Approx(definition.drive()));
                    CHECK(average.drive().low == average.drive().value);
                    CHECK(average.drive().high == average.drive().value);
                    CHECK(average.drive().health == Health::good);
                }
            }
        }
    }
    for (const auto answer : {AverageByDefinition::Answer::quiet, AverageByDefinition::Answer::good,
                              AverageByDefinition::Answer::bad, AverageByDefinition::Answer::bad_too_long})
        CHECK(answers.at(static_cast<std::size_t>(answer)) > 100);
    CHECK(on_floor > 100);
}

TEST_CASE("average: sixteen equal scans are enough, and half of reflected on its floor is at most") {
    RfPlan rf = voice_plan().rf;
    rf.emission.ratio_time = 1'000'000s;  // nothing fades
    BracketAverage average{rf};
    const Instant at{1000s};
    const auto take = [&](double reflected_w, Health health) {
        return average.add({reading_of_power(32.0, Health::good, at), reading_of_power(reflected_w, health, at),
                            reading_of_power(32.0, Health::good, at)},
                           nullptr);
    };
    for (int i = 1; i <= 15; ++i)
        CHECK(take(2.0, i % 2 == 0 ? Health::good : Health::at_floor) == BracketAverage::Told::not_yet);
    CHECK(take(2.0, Health::good) == BracketAverage::Told::ratio);
    CHECK(average.doubt_db() == 0.0);
    CHECK(average.means().reflected.health == Health::at_floor);
    CHECK(take(2.0, Health::good) == BracketAverage::Told::ratio);
    CHECK(average.means().reflected.health == Health::good);
}

TEST_CASE("average: a ratio known to a quarter is good, and one known a little worse is not") {
    RfPlan rf = voice_plan().rf;
    rf.emission.ratio_time = 1'000'000s;  // nothing fades
    const Instant at{1000s};
    const auto told = [&](double low_w, double high_w) {
        BracketAverage average{rf};
        BracketAverage::Told last{};
        for (int i = 0; i < 16; ++i)
            last = average.add({reading_of_power(32.0, Health::good, at),
                                reading_of_power(i % 2 == 0 ? low_w : high_w, Health::good, at),
                                reading_of_power(32.0, Health::good, at)},
                               nullptr);
        return last;
    };
    // Sixteen that are each 1 W off 2 W: twice the root of 16, over 32, exactly.
    CHECK(told(1.0, 3.0) == BracketAverage::Told::ratio);
    CHECK(told(0.9375, 3.0625) == BracketAverage::Told::not_yet);
}
