"""Each limit with the real program: it trips, in order, and re-arms as it should."""
import unittest

from station import CONFIGURATION, StationTest, wait_for

KEYED = {"drive": 1.6, "forward": 100.0, "reflected": 0.5, "current": 7.0}
IDLE = {"drive": 0.0, "reflected": 0.0, "forward": 0.0, "current": 0.5}


class Trips(StationTest):
    def keyed(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            station.set(**KEYED)
            watch.event("RF on")
        self.assertTrue(station.permits())
        return station

    def trip(self, station, source, **values):
        """The event; the line was written before anybody was told."""
        with station.watch() as watch:
            station.set(**values)
            event = watch.event("tripped")
            self.assertEqual(station.line_text(), b"0\n")
        self.assertEqual(event["source"], source)
        self.assertTrue(event["first_cause"])
        self.assertEqual(event["condition"], "bad")
        status = station.status()
        self.assertFalse(status["permit"])
        self.assertIn(source, {cause["id"] for cause in status["causes"]})
        return event

    def comes_back(self, station, **values):
        station.set(**values)
        station.wait_permit()
        self.assertEqual(station.wait_state("permitted")["causes"], [])

    def stays_until_reset(self, station, **values):
        station.set(**values)
        wait_for(lambda: station.reset()["ok"], "reset, once the cause is gone")
        station.wait_permit()

    def test_normal_transmission_trips_nothing(self):
        station = self.keyed()
        status = wait_for(lambda: (s := station.status())["rf_present"] and s, "RF")
        quantities = {q["id"]: q for q in status["quantities"]}
        self.assertAlmostEqual(quantities["forward"]["value"], 100.0, delta=1.0)
        self.assertAlmostEqual(quantities["supply"]["value"], 28.0)
        # 0.5 W of 100 W: |Gamma| 0.0707, VSWR 1.152 (computed)
        vswr = wait_for(lambda: station.quantity("vswr")["value"], "VSWR is measured")
        self.assertAlmostEqual(vswr, 1.152, delta=0.01)
        sequence = status["sequence"]
        wait_for(lambda: station.status()["sequence"] > sequence + 50, "many decisions more")
        station.set(**IDLE)
        wait_for(lambda: station.quantity("vswr")["health"] == "not measurable", "no RF, no VSWR")
        self.assertTrue(station.permits())
        self.assertNotIn("Tripped", station.log_text())

    def test_heatsink(self):
        station = self.keyed()
        event = self.trip(station, "heatsink", heatsink=71.0)
        self.assertEqual((event["value"], event["level"], event["unit"]), (71.0, 70.0, "°C"))
        station.set(**IDLE, heatsink=60.0)  # below the trip, above the clear level
        sequence = station.status()["sequence"]
        wait_for(lambda: station.status()["sequence"] > sequence + 50, "many decisions more")
        self.assertFalse(station.permits())
        self.comes_back(station, heatsink=54.0)

    def test_no_re_arm_while_the_exciter_drives(self):
        station = self.keyed()
        self.trip(station, "heatsink", heatsink=71.0)
        station.set(forward=0.0, reflected=0.0, current=0.5, heatsink=30.0)  # drive stays
        wait_for(lambda: station.status()["causes"][0]["hold_off_left_s"] == 0, "the hold-off is over")
        self.assertFalse(station.permits())
        self.comes_back(station, drive=0.0)

    def test_vswr_latches_and_needs_rf_off_and_a_reset(self):
        station = self.keyed()
        # 11.9 W of 100 W: VSWR 2.05 (computed), and below the reflected limit
        self.trip(station, "vswr", reflected=11.9)
        self.assertEqual(station.wait_state("latched")["state"], "latched")
        refused = station.reset()
        self.assertEqual((refused["ok"], refused["outcome"]), (False, "refused"))
        self.assertIn("stands", refused["text"])
        self.stays_until_reset(station, **IDLE)

    def test_reflected(self):
        station = self.keyed()
        station.set(forward=4.0)  # below the VSWR's gate
        wait_for(lambda: station.quantity("forward")["value"] < 5, "forward is low")
        # Reflected above forward is a fault of its own; here the absolute limit is what counts.
        with station.watch() as watch:
            station.set(reflected=13.0)
            watch.event("tripped", "reflected")
            self.assertEqual(station.line_text(), b"0\n")
        self.stays_until_reset(station, **IDLE)

    def test_forward(self):
        station = self.keyed()
        self.trip(station, "forward", forward=130.0)
        self.comes_back(station, **IDLE)

    def test_drive(self):
        station = self.keyed()
        self.trip(station, "drive", drive=2.7)
        self.comes_back(station, **IDLE)

    def test_supply_high(self):
        station = self.station().start_permitted()
        self.trip(station, "supply-high", supply=31.0)
        self.comes_back(station, supply=28.0)

    def test_supply_low(self):
        station = self.station().start_permitted()
        self.trip(station, "supply-low", supply=23.5)
        self.comes_back(station, supply=28.0)

    def test_current(self):
        station = self.keyed()
        self.trip(station, "current", current=14.5)
        self.stays_until_reset(station, **IDLE)

    def test_fan_only_when_warm(self):
        station = self.station().start_permitted()
        station.set(fan=0)
        wait_for(lambda: station.quantity("fan")["value"] == 0, "the fan is seen to stand")
        sequence = station.status()["sequence"]
        wait_for(lambda: station.status()["sequence"] > sequence + 50, "many decisions more")
        self.assertTrue(station.permits())
        self.trip(station, "fan", heatsink=46.0)
        self.comes_back(station, fan=3000, heatsink=30.0)

    def test_rf_while_inhibited_is_an_alarm(self):
        station = self.station().start_permitted()
        self.assertTrue(station.ask({"ask": "hold"})["ok"])
        with station.watch() as watch:
            station.set(forward=50.0, current=7.0)
            watch.event("tripped", "rf-while-inhibited")
        station.set(**IDLE)
        self.assertTrue(station.ask({"ask": "release"})["ok"])
        station.wait_state("latched")
        wait_for(lambda: station.reset()["ok"], "reset, once RF is gone")
        station.wait_permit()

    def test_swapped_cables(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            station.set(forward=7.0, reflected=10.0, drive=1.6, current=7.0)
            watch.event("tripped", "reflected-exceeds-forward")
            self.assertEqual(station.line_text(), b"0\n")

    def test_two_causes_both_have_to_go(self):
        station = self.keyed()
        self.trip(station, "heatsink", heatsink=75.0)
        with station.watch() as watch:
            station.set(supply=32.0)
            self.assertFalse(watch.event("tripped", "supply-high")["first_cause"])
        station.set(**IDLE, supply=28.0)
        wait_for(lambda: station.causes() == {"heatsink"}, "one of the two is gone")
        self.assertFalse(station.permits())
        self.comes_back(station, heatsink=30.0)

    def test_trips_end_in_lockout(self):
        station = self.station()
        station.configuration.write_text(station.configuration.read_text().replace("trips: 100", "trips: 3"))
        station.start_permitted()
        for turn in range(3):
            self.trip(station, "supply-high", supply=31.0)
            station.set(supply=28.0)
            if turn < 2:
                station.wait_permit()
        status = station.wait_state("locked out")
        self.assertTrue(status["memory"]["locked_out"])
        wait_for(lambda: station.reset()["ok"], "reset, once the cause is gone")
        station.wait_permit()


class Driver(StationTest):
    """A driver with a temperature of its own, on the same bus as the amplifier's."""

    SENSOR = ("  driver-heatsink: {name: Heatsink, stage: driver, bus: wire, address: 28-000000000002, measures: temperature, "
              "role: heatsink, allowed_age: 100 ms, largest_jump: 100 K}\n")
    LIMIT = ("  driver-heatsink: {name: Heatsink too hot, watch: driver-heatsink, above: 60 degC, clear: 50 degC, "
             "qualify: 20 ms, hold_off: 200 ms, rearm: automatic}\n")

    def test_its_temperature_alone_trips_and_the_sentence_names_the_driver(self):
        text = CONFIGURATION.replace("amplifier:\n", self.SENSOR + "amplifier:\n").replace("limits:\n", "limits:\n" + self.LIMIT)
        station = self.station(text, "stages: {driver: {name: Driver}}\n")
        wire = station.sys / "bus/w1/devices/28-000000000002"
        wire.mkdir()
        station.files["driver-heatsink"] = wire / "temperature"
        station.set(**{"driver-heatsink": 40.0})
        station.start_permitted()
        station.set(**KEYED)
        with station.watch() as watch:
            station.set(**{"driver-heatsink": 61.0})
            event = watch.event("tripped")
            self.assertEqual(station.line_text(), b"0\n")
        self.assertEqual((event["source"], event["value"], event["level"]), ("driver-heatsink", 61.0, 60.0))
        self.assertIn("Tripped: Driver: Heatsink 61.0 °C", event["text"])
        status = station.status()
        self.assertEqual({cause["id"] for cause in status["causes"]}, {"driver-heatsink"})
        self.assertIn("Driver: Heatsink 61.0 °C", status["reason"])
        limits = {limit["id"]: limit for limit in status["limits"]}
        self.assertEqual(limits["driver-heatsink"]["stage"], "driver")
        self.assertNotIn("stage", limits["heatsink"])
        station.wait_log("Tripped: Driver: Heatsink")


if __name__ == "__main__":
    unittest.main(verbosity=2)
