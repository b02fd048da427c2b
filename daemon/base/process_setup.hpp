// What this process asks of the kernel for itself.
#pragma once

#include <string>

namespace dekeyd {

/// No core dump: writing one would hold the line's descriptor open for as long as it takes.
void forbid_core_dumps() noexcept;

/// Keeps what is and will be touched in memory. To be called when all threads run. Empty, or why not.
std::string lock_memory();

}  // namespace dekeyd
