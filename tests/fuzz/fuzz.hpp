// What the fuzz targets share. Each is one file <name>_fuzz.cpp with one function; it aborts where something that must
// hold does not. Built in two ways: with libFuzzer (`tools/build asan`), and with a main that only runs the corpus.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <string>
#include <string_view>

#include "configuration/configuration.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace fuzz {

inline std::string_view text_of(const std::uint8_t* data, std::size_t size) {
    return size == 0 ? std::string_view{} : std::string_view{reinterpret_cast<const char*>(data), size};
}

/// Ends the run, so that the input is kept.
inline void need(bool holds, const char* what) {
    if (holds) return;
    std::fprintf(stderr, "fuzz: does not hold: %s\n", what);
    std::abort();
}

/// The annotated configuration of the repository, read once.
inline const dekeyd::formats::Configuration& annotated() {
    static const dekeyd::formats::Configuration configuration = [] {
        std::ifstream in{DEKEYD_SOURCE_DIR "/config/dekeyd.yaml"};
        const std::string text{std::istreambuf_iterator<char>{in}, {}};
        auto loaded = dekeyd::formats::load_configuration(text);
        need(loaded.configuration.has_value(), "config/dekeyd.yaml is read");
        return std::move(*loaded.configuration);
    }();
    return configuration;
}

}  // namespace fuzz

#ifdef DEKEYD_LIBFUZZER
#include <algorithm>

extern "C" std::size_t LLVMFuzzerMutate(std::uint8_t* data, std::size_t size, std::size_t most);

namespace fuzz {

/// libFuzzer's change, then in two of three cases `seal` on the whole: checksums would keep every change out.
template <class Seal>
std::size_t mutate_and_seal(std::uint8_t* data, std::size_t size, std::size_t most, unsigned seed, Seal seal) {
    size = LLVMFuzzerMutate(data, size, most);
    if (seed % 3 == 0) return size;
    const std::string sealed = seal(std::string{text_of(data, size)});
    if (sealed.size() > most) return size;
    std::copy(sealed.begin(), sealed.end(), data);
    return sealed.size();
}

}  // namespace fuzz
#endif
