# The Debian package by CPack. tools/package gives the version, the architecture and what is laid over the prefix
# (change log, page): they are of the day of packaging, not of the sources.
if(DEKEYD_OVERLAY)
  install(DIRECTORY ${DEKEYD_OVERLAY}/ DESTINATION .)
endif()
# README as it is read there: what lies in the source tree lies elsewhere then.
file(READ README.md text)
foreach(moved "](LICENSE)=](copyright)" "config/wiring/=wiring/" "tools/dashboard/page.png=page.png" "config/dekeyd.yaml=/usr/share/doc/dekeyd/examples/dekeyd.yaml"
        "config/examples/=/usr/share/doc/dekeyd/examples/")
  string(REGEX MATCH "^(.*)=(.*)$" pair "${moved}")
  string(REPLACE "${CMAKE_MATCH_1}" "${CMAKE_MATCH_2}" text "${text}")
endforeach()
file(CONFIGURE OUTPUT package/README.md CONTENT "${text}" @ONLY)
install(FILES ${CMAKE_CURRENT_LIST_DIR}/copyright ${CMAKE_CURRENT_BINARY_DIR}/package/README.md
        ${CMAKE_CURRENT_LIST_DIR}/../dashboard/page.png DESTINATION ${CMAKE_INSTALL_DOCDIR})
install(FILES ${CMAKE_CURRENT_LIST_DIR}/lintian-overrides DESTINATION share/lintian/overrides RENAME dekeyd)
install(DIRECTORY DESTINATION ${CMAKE_INSTALL_FULL_SYSCONFDIR}/dekeyd)

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS
    OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE WORLD_READ WORLD_EXECUTE)
set(CPACK_STRIP_FILES ON)
set(CPACK_PRE_BUILD_SCRIPTS ${CMAKE_CURRENT_LIST_DIR}/settle.cmake)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_COMPRESSION_TYPE xz)
set(CPACK_DEBIAN_PACKAGE_MAINTAINER "dekeyd developers <developers@dekeyd.invalid>")
set(CPACK_DEBIAN_PACKAGE_SECTION hamradio)
set(CPACK_DEBIAN_PACKAGE_PRIORITY optional)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
# The user is made by systemd-sysusers, or by adduser where that is absent.
set(CPACK_DEBIAN_PACKAGE_DEPENDS adduser)
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "mosquitto")
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA ${CMAKE_CURRENT_LIST_DIR}/postinst ${CMAKE_CURRENT_LIST_DIR}/prerm
    ${CMAKE_CURRENT_LIST_DIR}/postrm)
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "last-line interlock for a radio-frequency power amplifier")
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION
"dekeyd measures heatsink, forward and reflected power, drive and supply of
a power amplifier, publishes them by MQTT, and takes away the permission to
transmit by one GPIO line when anything leaves its safe range or can no
longer be known. It needs no network for that.
.
It is the last line of protection, never the only one: what must act in
microseconds stays in hardware.")
include(CPack)
