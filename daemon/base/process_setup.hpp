// What this process asks of the kernel for itself.
#pragma once

#include <string>

namespace dekeyd {

/// No core dump: writing one would hold the line's descriptor open for as long as it takes.
void forbid_core_dumps() noexcept;

/// One heap for all threads: each has one of its own else, and none needs its speed. Before there are threads.
void use_one_heap() noexcept;

/// Pages that only the start has needed: code and constants of the program and its libraries, and free heap.
void let_go_of_the_start();

/// Keeps what is and will be touched in memory, and lets go what only the start has needed. To be called when all
/// threads run. Empty, or why not.
std::string lock_memory();

}  // namespace dekeyd
