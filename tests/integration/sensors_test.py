"""Each way in which a sensor's file can go wrong: inhibit within the allowed age, and back without a restart."""
import os
import shutil
import time
import unittest

from station import AGE_S, REFRESH_S, StationTest, wait_for

# A machine under load may be late by this; the daemon's own stamp is what is compared.
LATE_S = 2.0


def write(content):
    return lambda station, sensor: station.write(sensor, content)


def remove(station, sensor):
    station.files[sensor].unlink()


def folder(station, sensor):
    station.files[sensor].unlink()
    station.files[sensor].mkdir()


def dangling(station, sensor):
    station.files[sensor].unlink()
    station.files[sensor].symlink_to("nowhere")


def pipe(station, sensor):
    station.files[sensor].unlink()
    os.mkfifo(station.files[sensor])


# Found out at the next read; or only when the sampler looks again whether the file is still the one.
AT_ONCE = {
    "emptied": (write(b""), "empty answer"),
    "nan": (write(b"nan\n"), "garbled"),
    "inf": (write(b"inf\n"), "garbled"),
    "binary": (write(bytes(range(256))), "garbled"),
    "comma": (write(b"1234,5\n"), "garbled"),
    "hexadecimal": (write(b"0x10\n"), "garbled"),
    "huge": (write(b"9" * 5000), "garbled"),
    "two numbers": (write(b"1200 1300\n"), "garbled"),
}
BY_LOOKING = {
    "removed": (remove, "absent"),
    "a folder": (folder, "input/output error"),
    "a dangling link": (dangling, "absent"),
    "a pipe": (pipe, "input/output error"),
}


class Sensors(StationTest):
    def fails_and_comes_back(self, station, sensor, name, damage, fault, found_out_s):
        with station.watch() as watch:
            before = time.monotonic()
            damage(station, sensor)
            event = watch.event("tripped")
            self.assertEqual(station.line_text(), b"0\n")
        self.assertEqual(event["condition"], "unknown", name)
        self.assertLess(event["at_s"] - before, found_out_s + AGE_S + LATE_S, name)
        wait_for(lambda: station.quantity(sensor)["fault"] == fault, f"{sensor} {name}: {fault}")
        self.assertIsNone(station.quantity(sensor)["value"])
        others = {q["id"]: q["health"] for q in station.status()["quantities"][:7] if q["id"] != sensor}
        self.assertNotIn("unknown", others.values())
        station.restore(sensor)
        station.wait_permit()

    def each(self, sensor):
        station = self.station().start_permitted()
        # One after another on one station; the first that goes wrong ends it, since the next would start from there.
        for name, (damage, fault) in AT_ONCE.items():
            self.fails_and_comes_back(station, sensor, name, damage, fault, 0.0)
        for name, (damage, fault) in BY_LOOKING.items():
            self.fails_and_comes_back(station, sensor, name, damage, fault, REFRESH_S)

    def test_heatsink(self):
        self.each("heatsink")

    def test_forward(self):
        self.each("forward")

    def test_supply(self):
        self.each("supply")

    def test_a_short_gap_within_the_allowed_age_is_no_trip(self):
        station = self.station()
        text = station.configuration.read_text().replace("allowed_age: 100 ms, valid: 1 V", "allowed_age: 20 s, valid: 1 V")
        station.configuration.write_text(text)
        station.start_permitted()
        station.write("supply", b"")
        wait_for(lambda: station.quantity("supply")["age_s"] > 0.3, "the reading ages")
        self.assertEqual(station.quantity("supply")["value"], 28.0)
        self.assertTrue(station.permits())
        station.restore("supply")
        wait_for(lambda: station.quantity("supply")["age_s"] < 0.3, "it is read again")
        self.assertTrue(station.permits())

    def test_faults_are_counted_with_and_without_rf(self):
        station = self.station().start_permitted()
        station.write("fan", b"")
        wait_for(lambda: station.quantity("fan")["health"] == "unknown", "the fan is lost")
        count = next(c for c in station.status()["channels"] if c["id"] == "fan")
        self.assertGreater(count["faults_idle"], 0)
        self.assertEqual(count["faults_keyed"], 0)
        self.assertEqual(count["last_fault"], "empty answer")

    def test_saturated_converter_is_power_and_not_a_number(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            station.write("drive", b"32767      \n")  # this detector falls with power: the upper end is a broken one
            self.assertEqual(watch.event("tripped")["condition"], "unknown")
        self.assertEqual(station.quantity("drive")["fault"], "converter at its upper end")
        station.restore("drive")
        station.wait_permit()

    def test_unplugged_detector(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            station.write("reflected", b"0          \n")  # 0 V, outside its window: at least as bad as full power
            watch.event("tripped")
            self.assertEqual(station.line_text(), b"0\n")

    def test_converter_that_changed_its_number_is_found_by_its_name(self):
        station = self.station().start_permitted()
        devices = station.sys / "bus/iio/devices"
        shutil.copytree(devices / "iio:device0", station.top / "copy")
        shutil.rmtree(devices / "iio:device0")  # the files that the daemon has open go on being readable
        (station.top / "copy").rename(devices / "iio:device7")
        station.files = {name: type(path)(str(path).replace("device0", "device7")) for name, path in station.files.items()}
        wait_for(lambda: station.quantity("forward")["health"] != "unknown" and station.permits(), "forward is read")
        station.set(forward=50.0, drive=1.0, current=5.0)
        wait_for(lambda: (station.quantity("forward")["value"] or 0) > 40, "the new file is the one that is read")

    def test_two_converters_of_one_name_are_refused(self):
        station = self.station().start_permitted()
        other = station.sys / "bus/iio/devices/iio:device1"
        other.mkdir()
        (other / "name").write_text("ads1015\n")
        with station.watch() as watch:
            self.assertEqual(watch.event("tripped")["condition"], "unknown")
            self.assertEqual(station.line_text(), b"0\n")
        self.assertEqual(wait_for(lambda: (q := station.quantity("forward"))["fault"] != "stale" and q["fault"], "a fault"),
                         "not the device it should be")


if __name__ == "__main__":
    unittest.main(verbosity=2)
