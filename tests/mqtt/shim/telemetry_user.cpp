// Preloaded: this machine knows the telemetry's user, by the number in TELEMETRY_USER.
#include <dlfcn.h>
#include <pwd.h>

#include <cstdlib>
#include <cstring>

extern "C" int getpwnam_r(const char* name, passwd* entry, char* room, size_t size, passwd** found) {
    const char* const user = std::getenv("TELEMETRY_USER");
    if (user != nullptr && std::strcmp(name, "dekeyd-telemetry") == 0) {
        *entry = {};
        entry->pw_uid = static_cast<uid_t>(std::strtoul(user, nullptr, 10));
        entry->pw_gid = static_cast<gid_t>(std::strtoul(user, nullptr, 10));
        *found = entry;
        return 0;
    }
    using Function = int (*)(const char*, passwd*, char*, size_t, passwd**);
    void* const symbol = ::dlsym(RTLD_NEXT, "getpwnam_r");
    Function real = nullptr;
    std::memcpy(&real, &symbol, sizeof real);
    return real(name, entry, room, size, found);
}
