// What the daemon is compared with: the least that a program can do, and what the machine itself does.
// Usage: peer pair HZ SECONDS FILE...         two threads: one reads these files and wakes the other
//        peer spin SECONDS                    how long does a spinning thread lose its processor?
//        peer load SECONDS                    keeps a processor busy
//        peer trip FILE GOOD BAD LINE PERMIT INHIBIT PERIOD_MS TIMES
//                                             writes BAD at a random phase, and times the line file's change
// Each prints one JSON object: times in microseconds, delays in periods.
#include <fcntl.h>
#include <sched.h>
#include <semaphore.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <random>
#include <string>
#include <thread>
#include <vector>

namespace {

double now_s() {
    timespec t{};
    ::clock_gettime(CLOCK_MONOTONIC, &t);
    return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_nsec) * 1e-9;
}

void sleep_until(double at_s) {
    timespec t{};
    t.tv_sec = static_cast<time_t>(at_s);
    t.tv_nsec = static_cast<long>((at_s - static_cast<double>(t.tv_sec)) * 1e9);
    while (::clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, nullptr) != 0) {
    }
}

bool real_time(int priority) {
    sched_param parameters{};
    parameters.sched_priority = priority;
    return ::sched_setscheduler(0, SCHED_FIFO, &parameters) == 0;
}

// What the daemon's two threads must do at least: reads by the clock, and a wake of the one that would decide.
int pair(double hz, double seconds, const std::vector<std::string>& paths) {
    std::vector<int> files;
    for (const std::string& path : paths) {
        files.push_back(::open(path.c_str(), O_RDONLY | O_CLOEXEC));
        if (files.back() < 0) {
            std::fprintf(stderr, "peer: %s: %s\n", path.c_str(), std::strerror(errno));
            return 1;
        }
    }
    sem_t news;
    ::sem_init(&news, 0, 0);
    std::atomic<bool> over{false};
    long woken = 0;
    std::thread decider{[&] {
        real_time(20);
        for (; !over; ++woken) ::sem_wait(&news);
    }};
    real_time(19);
    std::array<char, 4096> buffer{};
    const double begun = now_s();
    long bytes = 0;
    for (double next = begun; next < begun + seconds; next += 1.0 / hz) {
        sleep_until(next);
        for (const int file : files) bytes += ::pread(file, buffer.data(), buffer.size(), 0);
        ::sem_post(&news);
    }
    over = true;
    ::sem_post(&news);
    decider.join();
    std::printf("{\"woken\": %ld, \"bytes\": %ld}\n", woken, bytes);
    return 0;
}

int spin(double seconds, bool say) {
    const double begun = now_s();
    double last = begun, lost = 0.0, worst = 0.0;
    while (last < begun + seconds) {
        const double t = now_s();
        if (t - last > 50e-6) {
            lost += t - last;
            worst = std::max(worst, t - last);
        }
        last = t;
    }
    if (say) std::printf("{\"lost_share\": %.4f, \"worst_us\": %.0f}\n", lost / seconds, worst * 1e6);
    return 0;
}

bool put(int file, const std::string& text) {
    return ::pwrite(file, text.data(), text.size(), 0) == static_cast<ssize_t>(text.size());
}

/// Waits until the line file begins with `word`; how long that took, or -1.
double until(int line, const std::string& word, double most_s) {
    const double begun = now_s();
    std::array<char, 64> buffer{};
    while (now_s() - begun < most_s) {
        const ssize_t got = ::pread(line, buffer.data(), buffer.size(), 0);
        if (got >= static_cast<ssize_t>(word.size()) && std::memcmp(buffer.data(), word.data(), word.size()) == 0)
            return now_s() - begun;
        sleep_until(now_s() + 50e-6);
    }
    return -1.0;
}

int trip(const std::vector<std::string>& a) {
    const int file = ::open(a[0].c_str(), O_WRONLY | O_CLOEXEC);
    const int line = ::open(a[3].c_str(), O_RDONLY | O_CLOEXEC);
    if (file < 0 || line < 0) {
        std::fprintf(stderr, "peer: can't open %s or %s\n", a[0].c_str(), a[3].c_str());
        return 1;
    }
    real_time(10);
    const double period_s = std::atof(a[6].c_str()) / 1000.0;
    std::mt19937 random{20260301};
    std::uniform_real_distribution<double> phase{0.0, period_s};
    std::vector<double> delays;
    for (int i = 0; i < std::atoi(a[7].c_str()); ++i) {
        if (until(line, a[4], 20.0) < 0.0) {
            std::fprintf(stderr, "peer: no permit within 20 s\n");
            return 1;
        }
        sleep_until(now_s() + 5.0 * period_s + phase(random));
        if (!put(file, a[2] + "\n")) return 1;
        const double delay = until(line, a[5], 20.0);
        if (delay < 0.0 || !put(file, a[1] + "\n")) return 1;
        delays.push_back(delay / period_s);
    }
    std::printf("{\"periods\": [");
    for (std::size_t i = 0; i < delays.size(); ++i) std::printf("%s%.4f", i == 0 ? "" : ", ", delays[i]);
    std::printf("]}\n");
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    const std::vector<std::string> a(argv + 1, argv + argc);
    if (a.size() >= 4 && a[0] == "pair")
        return pair(std::atof(a[1].c_str()), std::atof(a[2].c_str()), {a.begin() + 3, a.end()});
    if (a.size() == 2 && a[0] == "spin") return spin(std::atof(a[1].c_str()), true);
    if (a.size() == 2 && a[0] == "load") return spin(std::atof(a[1].c_str()), false);
    if (a.size() == 9 && a[0] == "trip") return trip({a.begin() + 1, a.end()});
    std::fprintf(stderr, "usage: peer pair|spin|load|trip ...; see the head of its source\n");
    return 2;
}
