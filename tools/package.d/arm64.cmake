# Cross build for arm64. ARM64_LIBRARIES is the folder that tools/package.d/arm64-libraries fills: Debian's own libraries
# for arm64, beside the machine's. The C and C++ libraries are those of the cross compiler's packages.
set(CMAKE_SYSTEM_NAME Linux)
set(CMAKE_SYSTEM_PROCESSOR aarch64)
set(CMAKE_LIBRARY_ARCHITECTURE aarch64-linux-gnu)
set(CMAKE_CXX_COMPILER aarch64-linux-gnu-g++)
list(APPEND CMAKE_TRY_COMPILE_PLATFORM_VARIABLES ARM64_LIBRARIES)

set(CMAKE_FIND_ROOT_PATH ${ARM64_LIBRARIES})
set(CMAKE_FIND_ROOT_PATH_MODE_PROGRAM NEVER)
set(CMAKE_FIND_ROOT_PATH_MODE_LIBRARY ONLY)
set(CMAKE_FIND_ROOT_PATH_MODE_INCLUDE ONLY)
set(CMAKE_FIND_ROOT_PATH_MODE_PACKAGE ONLY)
set(ENV{PKG_CONFIG_LIBDIR} ${ARM64_LIBRARIES}/usr/lib/aarch64-linux-gnu/pkgconfig:${ARM64_LIBRARIES}/usr/share/pkgconfig)
set(ENV{PKG_CONFIG_SYSROOT_DIR} ${ARM64_LIBRARIES})
set(CMAKE_EXE_LINKER_FLAGS_INIT "-Wl,-rpath-link,${ARM64_LIBRARIES}/usr/lib/aarch64-linux-gnu:${ARM64_LIBRARIES}/lib/aarch64-linux-gnu")
