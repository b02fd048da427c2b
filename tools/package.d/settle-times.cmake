# Every file of the package gets one time, so that two builds of the same sources are the same bytes.
file(GLOB_RECURSE files LIST_DIRECTORIES true ${CPACK_TEMPORARY_DIRECTORY}/*)
execute_process(COMMAND touch --no-dereference --date=@$ENV{SOURCE_DATE_EPOCH} ${CPACK_TEMPORARY_DIRECTORY} ${files}
                COMMAND_ERROR_IS_FATAL ANY)
