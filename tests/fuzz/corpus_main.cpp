// Runs a fuzz target over files, and over each file cut short: what a compiler without libFuzzer can do.
#include <cstdio>
#include <filesystem>
#include <vector>

#include "fuzz.hpp"

int main(int count, char** folders) {
    std::size_t files = 0, runs = 0;
    const auto run = [&](const std::string& bytes) {
        // A copy of just this size, so that a tool that watches memory sees a read beyond the end.
        const std::vector<std::uint8_t> exact{bytes.begin(), bytes.end()};
        LLVMFuzzerTestOneInput(exact.data(), exact.size());
        ++runs;
    };
    run({});
    for (int i = 1; i < count; ++i) {
        for (const auto& file : std::filesystem::directory_iterator{folders[i]}) {
            std::ifstream in{file.path(), std::ios::binary};
            const std::string bytes{std::istreambuf_iterator<char>{in}, {}};
            ++files;
            run(bytes);
            for (std::size_t part = 1; part < 16; ++part) run(bytes.substr(0, bytes.size() * part / 16));
        }
    }
    std::printf("%zu files, %zu runs\n", files, runs);
    return files > 0 ? 0 : 1;
}
