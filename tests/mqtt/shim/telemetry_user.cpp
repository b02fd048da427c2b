// Preloaded: this machine knows the telemetry's user, by the number in TELEMETRY_USER, in the place of the first in the
// file.
#include <dlfcn.h>
#include <pwd.h>

#include <cstdio>
#include <cstdlib>
#include <cstring>

extern "C" int fgetpwent_r(FILE* file, passwd* entry, char* room, size_t size, passwd** found) {
    static char name[] = "dekeyd-telemetry";
    const char* const user = std::getenv("TELEMETRY_USER");
    if (user != nullptr && std::ftell(file) == 0) {
        for (int c = std::fgetc(file); c != '\n' && c != EOF;) c = std::fgetc(file);
        *entry = {};
        entry->pw_name = name;
        entry->pw_uid = static_cast<uid_t>(std::strtoul(user, nullptr, 10));
        entry->pw_gid = static_cast<gid_t>(std::strtoul(user, nullptr, 10));
        *found = entry;
        return 0;
    }
    using Function = int (*)(FILE*, passwd*, char*, size_t, passwd**);
    void* const symbol = ::dlsym(RTLD_NEXT, "fgetpwent_r");
    Function real = nullptr;
    std::memcpy(&real, &symbol, sizeof real);
    return real(file, entry, room, size, found);
}
