# What Debian wants of the files, just before they are packed: manual pages compressed; and one time for all, so that two
# builds of the same sources are the same bytes.
file(GLOB pages ${CPACK_TEMPORARY_DIRECTORY}/usr/share/man/man*/*.[1-8])
if(pages)
  execute_process(COMMAND gzip -9n ${pages} COMMAND_ERROR_IS_FATAL ANY)
endif()
file(GLOB_RECURSE files LIST_DIRECTORIES true ${CPACK_TEMPORARY_DIRECTORY}/*)
execute_process(COMMAND touch --no-dereference --date=@$ENV{SOURCE_DATE_EPOCH} ${CPACK_TEMPORARY_DIRECTORY} ${files}
                COMMAND_ERROR_IS_FATAL ANY)
