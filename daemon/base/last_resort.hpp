// What happens when this program itself fails: an escaped exception, a wild pointer, an abort. The line first.
#pragma once

#include <memory>

namespace dekeyd {

/// The holder of the line. All three are called from signal handlers: no lock, no allocation, no log.
class LineHolder {
public:
    virtual ~LineHolder() = default;
    LineHolder() = default;
    LineHolder(const LineHolder&) = delete;
    LineHolder& operator=(const LineHolder&) = delete;

    /// True on the thread that owns the line.
    [[nodiscard]] virtual bool is_mine() const noexcept = 0;
    /// Owner only: inhibit at once.
    virtual void inhibit_now() noexcept = 0;
    /// Any thread: tell the owner to inhibit for good.
    virtual void ask_to_inhibit() noexcept = 0;
    /// Any thread: the owner has done so, and the read-back says so or can't tell.
    [[nodiscard]] virtual bool has_inhibited() const noexcept = 0;
};

/// Sets the terminate handler and those of the fault signals. `holder` must live until the process ends, or until
/// this is called with nullptr.
void install_last_resort(LineHolder* holder);

/// Inhibits by the holder, from any thread: at once on its own, else by asking and waiting for at most 100 ms.
void inhibit_by_last_resort() noexcept;

/// A stack for signal handlers of this thread, so that an overflown stack can still inhibit.
class AlternateStack {
public:
    AlternateStack();
    ~AlternateStack();
    AlternateStack(const AlternateStack&) = delete;
    AlternateStack& operator=(const AlternateStack&) = delete;

private:
    std::unique_ptr<char[]> memory_;
};

}  // namespace dekeyd
