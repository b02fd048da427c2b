// The inhibit line as a file: its first byte `1` permits; anything else, or no file, inhibits.
#pragma once

#include <string>

namespace bench {

class LineFile {
public:
    explicit LineFile(std::string path);
    ~LineFile();
    LineFile(const LineFile&) = delete;
    LineFile& operator=(const LineFile&) = delete;

    /// By one pread. Finds the file again when it was replaced or comes late.
    bool permits() noexcept;

private:
    void open_again() noexcept;

    std::string path_;
    int descriptor_ = -1;
    int polls_until_check_ = 0;
};

}  // namespace bench
