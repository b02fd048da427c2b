#include "drivers/sensing.hpp"

#include <doctest/doctest.h>

#include <array>
#include <cerrno>
#include <clocale>
#include <cmath>
#include <cstdlib>
#include <limits>
#include <string>
#include <vector>

using namespace dekeyd::core;

namespace {

void check_value(Sensed sensed, double value) {
    CHECK(sensed.fault == Fault::none);
    CHECK(sensed.value == doctest::Approx(value).epsilon(1e-12));
}

void check_fault(Sensed sensed, Fault fault) {
    CHECK(sensed.fault == fault);
    CHECK(sensed.value == 0.0);
}

Sensed good(double value) {
    return {.value = value, .fault = Fault::none};
}

/// The kernel's text for a good frame.
std::string slave_text(const std::string& frame, const std::string& millidegrees) {
    return frame + " : crc=" + frame.substr(frame.size() - 2) + " YES\n" + frame + " t=" + millidegrees + "\n";
}

}  // namespace

TEST_CASE("errno becomes the fault that says what to look for") {
    CHECK(fault_from_errno(0) == Fault::none);
    for (const int error : {ENOENT, ENODEV, ENXIO}) CHECK(fault_from_errno(error) == Fault::absent);
    for (const int error : {EACCES, EPERM, EROFS}) CHECK(fault_from_errno(error) == Fault::no_permission);
    for (const int error : {EIO, EAGAIN, ETIMEDOUT, EBUSY, EISDIR, EREMOTEIO}) {
        CHECK(fault_from_errno(error) == Fault::io_error);
    }
}

TEST_CASE("a number is the whole text") {
    check_value(parse_number("19753\n"), 19753.0);
    check_value(parse_number("0"), 0.0);
    check_value(parse_number("9"), 9.0);
    check_value(parse_number("-3\n"), -3.0);  // an ADC's small negative count near zero
    check_value(parse_number("0.062500000\n"), 0.0625);
    check_value(parse_number(" \t23125 \n"), 23125.0);
    check_value(parse_number("1e3"), 1000.0);
    check_value(parse_number("-32768\n"), -32768.0);
}

TEST_CASE("what isn't a number is a fault, and never half a number") {
    check_fault(parse_number(""), Fault::empty);
    for (const std::string text :
         {"\n",       " ",     "nan",   "NaN\n",  "-nan",   "inf",    "-inf",   "infinity", "0x1F",    "1F",
          "23,125\n", "1.5 V", "12 34", "12\n34", "12\n\n", "12\r\n", "--5",    "+5",       "-",       "- 5",
          ".",        ".5",    "5.",    "1e",     "e5",     "1e999",  "-1e999", "on",       "\xff\xfe"}) {
        CAPTURE(text);
        check_fault(parse_number(text), Fault::garbled);
    }
    check_fault(parse_number(std::string("12\0", 3)), Fault::garbled);
    check_fault(parse_number(std::string("\0\0\0", 3)), Fault::garbled);
    check_value(parse_number(std::string(63, '0') + "7"), 7.0);
    check_fault(parse_number(std::string(64, '0') + "7"), Fault::garbled);
    check_fault(parse_number(std::string(100'000, '1')), Fault::garbled);
}

TEST_CASE("any bytes give a finite number or a fault, never both") {
    constexpr std::array alphabet{'0', '9', '1', '.', '-', '+', 'e',  'E',  'n',
                                  'a', 'i', 'f', 'x', ',', ' ', '\n', '\t', '\0'};
    std::uint32_t state = 12345;
    const auto next = [&state] { return state = state * 1664525U + 1013904223U; };
    int numbers = 0;
    for (int round = 0; round < 200'000; ++round) {
        std::string text;
        for (std::uint32_t left = (next() >> 16U) % 9; left > 0; --left)
            text += alphabet[(next() >> 16U) % alphabet.size()];
        const Sensed sensed = parse_number(text);
        REQUIRE(std::isfinite(sensed.value));
        if (sensed.fault != Fault::none) {
            REQUIRE(sensed.value == 0.0);
            continue;
        }
        ++numbers;
        REQUIRE(text.find_first_of("naifx,") == std::string::npos);
        REQUIRE(sensed.value == std::strtod(text.c_str(), nullptr));  // an independent reader, in the C locale
    }
    CHECK(numbers > 1000);
}

TEST_CASE("a decimal-comma locale changes nothing") {
    const char* found = nullptr;
    for (const char* name : {"de_DE.UTF-8", "de_DE.utf8", "de_DE", "fr_FR.UTF-8", "fr_FR.utf8", "nl_NL.UTF-8"}) {
        if (std::setlocale(LC_ALL, name) != nullptr) {
            found = name;
            break;
        }
    }
    std::string folder;
    if (found == nullptr) {  // build one where the machine can
        std::string pattern = "/tmp/dekeyd-locale-XXXXXX";
        if (::mkdtemp(pattern.data()) != nullptr) {
            folder = pattern;
            const std::string build = "localedef -i de_DE -f UTF-8 " + folder + "/de_DE.UTF-8 >/dev/null 2>&1";
            if (std::system(build.c_str()) == 0) {
                ::setenv("LOCPATH", folder.c_str(), 1);
                if (std::setlocale(LC_ALL, "de_DE.UTF-8") != nullptr) found = "de_DE.UTF-8";
                ::unsetenv("LOCPATH");
            }
        }
    }
    if (found == nullptr) {
        MESSAGE("skipped: no locale with a decimal comma, and none can be built");
    } else {
        REQUIRE(std::string(std::localeconv()->decimal_point) == ",");
        check_value(parse_number("0.0625"), 0.0625);
        check_fault(parse_number("0,0625"), Fault::garbled);
        std::setlocale(LC_ALL, "C");
    }
    if (!folder.empty()) CHECK(std::system(("rm -rf " + folder).c_str()) == 0);
}

TEST_CASE("w1_therm's temperature") {
    check_value(parse_w1_temperature("23125\n"), 23.125);
    check_value(parse_w1_temperature("-500\n"), -0.5);
    check_value(parse_w1_temperature("85000\n"), 85.0);  // the power-on value is passed on: who knows the past decides
    check_value(parse_w1_temperature("0\n"), 0.0);
    // -55 to 125 degC: TI/Maxim DS18B20 datasheet, the measuring range
    check_value(parse_w1_temperature("125000\n"), 125.0);
    check_value(parse_w1_temperature("-55000\n"), -55.0);
    check_fault(parse_w1_temperature("125001\n"), Fault::outside_part);
    check_fault(parse_w1_temperature("-55001\n"), Fault::outside_part);
    check_fault(parse_w1_temperature("2047937\n"), Fault::outside_part);
    check_fault(parse_w1_temperature("1000000000000000000000000\n"), Fault::outside_part);
    check_fault(parse_w1_temperature("23.125\n"), Fault::garbled);  // the kernel gives whole millidegrees
    check_fault(parse_w1_temperature("23e3\n"), Fault::garbled);
    check_fault(parse_w1_temperature(""), Fault::empty);
    check_fault(parse_w1_temperature("nan\n"), Fault::garbled);
}

TEST_CASE("Dallas CRC-8") {
    constexpr std::array<std::uint8_t, 7> rom{0x02, 0x1C, 0xB8, 0x01, 0x00, 0x00, 0x00};
    CHECK(crc8(rom.data(), rom.size()) == 0xA2);  // Maxim application note 27, the example (read second-hand)
    constexpr std::array<std::uint8_t, 8> power_on{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10};
    CHECK(crc8(power_on.data(), power_on.size()) == 0x1C);  // computed with a separate program
    const std::string digits = "123456789";
    std::vector<std::uint8_t> bytes(digits.begin(), digits.end());
    CHECK(crc8(bytes.data(), bytes.size()) == 0xA1);  // the customary check string; computed with a separate program
    CHECK(crc8(nullptr, 0) == 0);
}

TEST_CASE("w1_slave: raw to degrees") {
    // Raw and degrees: DS18B20 datasheet, Table 1 (read second-hand). The other bytes are the power-on frame's; the
    // CRCs were computed with a separate program. The kernel cuts to whole millidegrees: 25.0625 is shown as 25062.
    struct Row {
        const char* frame;
        const char* millidegrees;
        double celsius;
    };
    for (const Row& row :
         {Row{"d0 07 4b 46 7f ff 0c 10 f4", "125000", 125.0}, Row{"50 05 4b 46 7f ff 0c 10 1c", "85000", 85.0},
          Row{"91 01 4b 46 7f ff 0c 10 70", "25062", 25.0625}, Row{"a2 00 4b 46 7f ff 0c 10 74", "10125", 10.125},
          Row{"08 00 4b 46 7f ff 0c 10 e2", "500", 0.5}, Row{"00 00 4b 46 7f ff 0c 10 c8", "0", 0.0},
          Row{"f8 ff 4b 46 7f ff 0c 10 c3", "-500", -0.5}, Row{"5e ff 4b 46 7f ff 0c 10 6a", "-10125", -10.125},
          Row{"6f fe 4b 46 7f ff 0c 10 e8", "-25062", -25.0625}, Row{"90 fc 4b 46 7f ff 0c 10 4f", "-55000", -55.0}}) {
        CAPTURE(row.frame);
        const Sensed sensed = parse_w1_slave(slave_text(row.frame, row.millidegrees));
        CHECK(sensed.fault == Fault::none);
        CHECK(std::abs(sensed.value - row.celsius) < 0.001);
    }
}

TEST_CASE("w1_slave of a DS18S20: half degrees, and the rest by what its counters say") {
    // Raw and degrees: DS18S20 datasheet, Table 1 and the formula below it (from memory); millidegrees as the kernel's
    // w1_therm works them out, and the CRCs: by a separate program.
    struct Row {
        const char* frame;
        const char* millidegrees;
        double celsius;
    };
    for (const Row& row :
         {Row{"aa 00 4b 46 ff ff 0c 10 87", "85000", 85.0}, Row{"32 00 4b 46 ff ff 0c 10 6b", "25000", 25.0},
          Row{"32 00 4b 46 ff ff 04 10 1d", "25500", 25.5}, Row{"01 00 4b 46 ff ff 04 10 24", "500", 0.5},
          Row{"ff ff 4b 46 ff ff 04 10 bc", "-500", -0.5}, Row{"ce ff 4b 46 ff ff 0c 10 75", "-25000", -25.0},
          Row{"92 ff 4b 46 ff ff 0c 10 57", "-55000", -55.0}, Row{"32 00 4b 46 ff ff 01 01 21", "24750", 24.75}}) {
        CAPTURE(row.frame);
        const Sensed sensed = parse_w1_slave(slave_text(row.frame, row.millidegrees), W1Family::ds18s20);
        CHECK(sensed.fault == Fault::none);
        CHECK(sensed.value == doctest::Approx(row.celsius));
        if (row.celsius > 1.0) CHECK(parse_w1_slave(slave_text(row.frame, row.millidegrees)).fault == Fault::garbled);
    }
    // Within 62.5 millidegrees of 25.5 degC.
    for (const char* near : {"25438", "25562"})
        CHECK(parse_w1_slave(slave_text("32 00 4b 46 ff ff 04 10 1d", near), W1Family::ds18s20).fault == Fault::none);
    for (const char* far : {"25437", "25563"})
        check_fault(parse_w1_slave(slave_text("32 00 4b 46 ff ff 04 10 1d", far), W1Family::ds18s20), Fault::garbled);
    // COUNT_PER_C of nothing: no part says so, and the kernel shows 0 degC.
    check_fault(parse_w1_slave(slave_text("aa 00 4b 46 ff ff 0c 00 1a", "0"), W1Family::ds18s20), Fault::garbled);
}

TEST_CASE("w1_slave: a bad frame is never a temperature") {
    const std::string frame = "91 01 4b 46 7f ff 0c 10 70";
    const std::string whole = slave_text(frame, "25062");
    check_value(parse_w1_slave(whole), 25.062);
    check_value(parse_w1_slave(whole.substr(0, whole.size() - 1)), 25.062);  // no final newline
    check_fault(parse_w1_slave(""), Fault::empty);

    // What the kernel shows after a failed CRC: the last good bytes, and a temperature all the same.
    check_fault(parse_w1_slave("ff ff ff ff ff ff ff ff ff : crc=c9 NO\n" + frame + " t=-62\n"), Fault::bad_crc);
    check_fault(parse_w1_slave("91 01 4b 46 7f ff 0c 10 71 : crc=70 NO\n" + frame + " t=25062\n"), Fault::bad_crc);
    // "YES", and wrong: the CRC is worked out again.
    check_fault(parse_w1_slave(slave_text("92 01 4b 46 7f ff 0c 10 70", "25125")), Fault::bad_crc);
    check_fault(parse_w1_slave(frame + " : crc=71 YES\n" + frame + " t=25062\n"), Fault::bad_crc);
    // A bus shorted to ground: nothing but zeros, whose CRC is right.
    check_fault(parse_w1_slave(slave_text("00 00 00 00 00 00 00 00 00", "0")), Fault::outside_part);
    // A good CRC and a temperature that the part can't give (0x7ff0: 2047 degC).
    check_fault(parse_w1_slave(slave_text("f0 7f 4b 46 7f ff 0c 10 7e", "2047000")), Fault::outside_part);
    // The two lines, or the bytes and the temperature, disagree.
    check_fault(parse_w1_slave(frame + " : crc=70 YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"), Fault::garbled);
    check_fault(parse_w1_slave(frame + " : crc=70 YES\n50 05 4b 46 7f ff 0c 10 1c t=25062\n"), Fault::garbled);
    check_fault(parse_w1_slave(slave_text(frame, "85000")), Fault::garbled);
    check_fault(parse_w1_slave(slave_text(frame, "nan")), Fault::garbled);
    check_fault(parse_w1_slave(slave_text(frame, "25062 ")), Fault::garbled);
    check_fault(parse_w1_slave(slave_text(frame, "25062\n")), Fault::garbled);
    check_fault(parse_w1_slave(slave_text(frame, "0x61e6")), Fault::garbled);
    check_fault(parse_w1_slave("25062\n"), Fault::garbled);
    check_fault(parse_w1_slave(std::string(5000, '9')), Fault::garbled);
    check_fault(parse_w1_slave(std::string(30, '\0')), Fault::garbled);
    // 25.0625 degC, give or take a sixteenth.
    for (const char* near : {"25000", "25125"}) CHECK(parse_w1_slave(slave_text(frame, near)).fault == Fault::none);
    for (const char* far : {"24999", "25126"}) check_fault(parse_w1_slave(slave_text(frame, far)), Fault::garbled);
    // Bytes or digits that aren't there are not zeros.
    check_fault(parse_w1_slave(slave_text("00 00 4b 46 7f ff 0c 10 c8", "")), Fault::garbled);
    check_fault(parse_w1_slave(slave_text(" 00 4b 46 7f ff 0c 10 c8", "0")), Fault::garbled);
    check_fault(parse_w1_slave("00 00 : crc=00 YES\n00 00 t=0\n"), Fault::garbled);
    for (std::size_t cut = 1; cut + 2 < whole.size(); ++cut) {
        const Sensed sensed = parse_w1_slave(whole.substr(0, cut));
        CAPTURE(cut);
        // A text cut inside the temperature's digits disagrees with the bytes; any other cut is no frame.
        CHECK(sensed.fault == Fault::garbled);
    }
}

TEST_CASE("every single flipped bit of a frame is noticed") {
    constexpr std::array<std::uint8_t, 9> frame{0x91, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10, 0x70};
    constexpr const char* digits = "0123456789abcdef";
    for (std::size_t bit = 0; bit < 72; ++bit) {
        auto flipped = frame;
        flipped[bit / 8] = static_cast<std::uint8_t>(flipped[bit / 8] ^ (1U << (bit % 8)));
        std::string text;
        for (const std::uint8_t byte : flipped) {
            text += text.empty() ? "" : " ";
            text += digits[byte >> 4U];
            text += digits[byte & 15U];
        }
        CAPTURE(text);
        check_fault(parse_w1_slave(slave_text(text, "25062")), Fault::bad_crc);
    }
}

TEST_CASE("IIO: (raw + offset) * scale, in milli-units") {
    // TI ADS1115 datasheet SBAS444D, Table 3: size of a step by range. Full scale is 32768 steps.
    struct Range {
        double full_scale_v, step_uv;
    };
    for (const Range& range : {Range{6.144, 187.5}, Range{4.096, 125.0}, Range{2.048, 62.5}, Range{1.024, 31.25},
                               Range{0.512, 15.625}, Range{0.256, 7.8125}}) {
        const IioScaling scaling{.scale = range.step_uv / 1000.0, .offset = 0.0, .lowest = {}, .highest = {}};
        check_value(scale_iio(good(16384.0), scaling), range.full_scale_v / 2.0);
        check_value(scale_iio(good(-16384.0), scaling), -range.full_scale_v / 2.0);
        check_value(scale_iio(good(1.0), scaling), range.step_uv * 1e-6);
    }
    // Measured on the kernel's own driver: 1.234567 V at the ADS1115's input reads raw 19753 at 0.0625 mV.
    CHECK(scale_iio(good(19753.0), {.scale = 0.0625, .offset = 0.0, .lowest = {}, .highest = {}}).value ==
          doctest::Approx(1.234567).epsilon(2e-5));
    // MCP3208 with a 3.3 V reference: 3300 mV / 4096 = 0.80566 mV (the kernel's driver and the datasheet agree).
    const IioScaling mcp3208{.scale = 0.805664062, .offset = 0.0, .lowest = 0.0, .highest = 4095.0};
    check_value(scale_iio(good(2048.0), mcp3208), 1.649999998976);
    // Offset before scale: the kernel's sysfs-bus-iio ABI. A chip's own thermometer with offset -1000 and scale 0.5.
    check_value(scale_iio(good(51'000.0), {.scale = 0.5, .offset = -1000.0, .lowest = {}, .highest = {}}), 25.0);
}

TEST_CASE("IIO: the converter's ends") {
    const IioScaling ads1115{.scale = 0.0625, .offset = 0.0, .lowest = -32768.0, .highest = 32767.0};
    check_fault(scale_iio(good(32767.0), ads1115), Fault::saturated_high);
    check_fault(scale_iio(good(-32768.0), ads1115), Fault::saturated_low);
    check_fault(scale_iio(good(32768.0), ads1115), Fault::outside_part);
    check_fault(scale_iio(good(-32769.0), ads1115), Fault::outside_part);
    check_value(scale_iio(good(32766.0), ads1115), 2.047875);
    check_value(scale_iio(good(-3.0), ads1115), -0.0001875);  // about zero, and no fault
    const IioScaling unknown{.scale = 0.0625, .offset = 0.0, .lowest = {}, .highest = {}};
    check_value(scale_iio(good(32767.0), unknown), 2.0479375);
    // A converter that counts from 0: its lowest code is 0 V, at which a diode detector rests; the window judges it.
    const IioScaling mcp3208{.scale = 0.80566, .offset = 0.0, .lowest = 0.0, .highest = 4095.0};
    check_value(scale_iio(good(0.0), mcp3208), 0.0);
    check_fault(scale_iio(good(-1.0), mcp3208), Fault::outside_part);
    check_fault(scale_iio(good(4095.0), mcp3208), Fault::saturated_high);
}

TEST_CASE("IIO: a scale that can't be makes no reading") {
    constexpr double infinity = std::numeric_limits<double>::infinity();
    const double nan = std::numeric_limits<double>::quiet_NaN();
    for (const double scale : {0.0, infinity, nan}) {
        check_fault(scale_iio(good(100.0), {.scale = scale, .offset = 0.0, .lowest = {}, .highest = {}}),
                    Fault::garbled);
    }
    for (const double offset : {infinity, nan}) {
        check_fault(scale_iio(good(100.0), {.scale = 1.0, .offset = offset, .lowest = {}, .highest = {}}),
                    Fault::garbled);
    }
    check_fault(scale_iio(good(1e300), {.scale = 1e300, .offset = 0.0, .lowest = {}, .highest = {}}), Fault::garbled);
    check_fault(scale_iio({.value = 0.0, .fault = Fault::absent}, {}), Fault::absent);
}

TEST_CASE("hwmon: the kernel's units") {
    // Kernel documentation, hwmon/sysfs-interface: millivolt, milliampere, millidegree Celsius, rpm, microwatt.
    check_value(scale_hwmon(good(28'050.0), HwmonKind::voltage), 28.05);
    check_value(scale_hwmon(good(8'250.0), HwmonKind::current), 8.25);
    check_value(scale_hwmon(good(-1'500.0), HwmonKind::current), -1.5);
    check_value(scale_hwmon(good(41'250.0), HwmonKind::temperature), 41.25);
    check_value(scale_hwmon(good(2'400.0), HwmonKind::fan), 2400.0);
    check_value(scale_hwmon(good(0.0), HwmonKind::fan), 0.0);
    check_value(scale_hwmon(good(231'400'000.0), HwmonKind::power), 231.4);
    check_fault(scale_hwmon(good(-1.0), HwmonKind::fan), Fault::outside_part);
    check_fault(scale_hwmon(good(-273'151.0), HwmonKind::temperature), Fault::outside_part);
    check_value(scale_hwmon(good(-273'150.0), HwmonKind::temperature), -273.15);
    check_fault(scale_hwmon({.value = 0.0, .fault = Fault::empty}, HwmonKind::voltage), Fault::empty);
    check_fault(scale_hwmon(good(1.0), static_cast<HwmonKind>(99)), Fault::garbled);
}
