// How the programs end, beside 0: the codes of sysexits.h.
#pragma once

namespace dekeyd {

inline constexpr int exit_software = 70;       ///< a fault of the program
inline constexpr int exit_system = 71;         ///< the system refused a thread or the like
inline constexpr int exit_cannot_create = 73;  ///< a folder of the program's own is missing, or can't be used
inline constexpr int exit_not_saved = 74;      ///< stopped by a signal, but latches and holds may not be saved
inline constexpr int exit_read_anew = 75;      ///< the guard runs with a newer configuration than its telemetry
inline constexpr int exit_configuration = 78;  ///< the configuration has faults, or another process has the folders

}  // namespace dekeyd
