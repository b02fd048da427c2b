"""The JSON Schema of the configuration, judged by a validator of its own: it takes what `dekeyctl check` takes, and both
refuse the same plain faults."""
import json
import os
import pathlib
import re
import subprocess
import tempfile
import unittest

import jsonschema
import yaml

DEKEYCTL = os.environ["DEKEYCTL"]
SOURCE = pathlib.Path(__file__).resolve().parents[2]
ANNOTATED = SOURCE / "config/dekeyd.yaml"
EXAMPLES = [ANNOTATED, *sorted((SOURCE / "config/examples").glob("*.yaml"))]
INSTALLED = "# yaml-language-server: $schema=/usr/share/dekeyd/dekeyd.schema.json"


def run(*words):
    return subprocess.run([DEKEYCTL, *words], capture_output=True, text=True)


class SchemaTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.schema = json.loads(run("keys", "--schema").stdout)
        jsonschema.Draft7Validator.check_schema(cls.schema)
        cls.validator = jsonschema.Draft7Validator(cls.schema)
        cls.folder = tempfile.TemporaryDirectory()
        cls.file = pathlib.Path(cls.folder.name) / "dekeyd.yaml"

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()

    def refusals(self, text):
        """What each of the two says: the schema's errors, and check's faults."""
        errors = [f"{'.'.join(map(str, error.absolute_path))}: {error.message}" for error in
                  self.validator.iter_errors(yaml.safe_load(text))]
        self.file.write_text(text)
        faults = json.loads(run("check", "--json", str(self.file)).stdout)["faults"]
        return errors, [f"{fault['key']}: {fault['what']}" for fault in faults]

    def test_every_example_validates_and_names_the_installed_schema(self):
        for example in EXAMPLES:
            with self.subTest(example.name):
                text = example.read_text()
                self.assertEqual(text.splitlines()[0], INSTALLED)
                self.assertEqual(self.refusals(text), ([], []))

    def planted(self, old, new):
        text = ANNOTATED.read_text()
        self.assertEqual(len(re.findall(old, text, re.M)), 1, old)
        return self.refusals(re.sub(old, new, text, flags=re.M))

    def test_planted_faults_are_refused_by_both(self):
        for old, new in (
                (r"^  settling: 5 s", "  setling: 5 s"),  # unknown
                (r"^heat:", "heats:"),
                (r"^    coupling: 20 dB", "    coupling: 20 dB\n    couplings: 20 dB"),
                (r"^  settling: 5 s", "  settling: [5 s]"),  # wrong kind
                (r"^  settling: 5 s", "  settling: 5"),
                (r"^  settling: 5 s", "  settling: 5 V"),
                (r"^  settling: 5 s", "  settling: -5 s"),
                (r"^  settling: 5 s", "  settling: 5,5 s"),
                (r"^main_line: .*", "main_line: coupler"),
                (r"^main_line: .*", "main_line: [amplifier, couplr]"),
                (r"^device:\n.*\n.*", "device: hilltop"),
                (r"^  monitor_only: no", "  monitor_only: maybe"),
                (r"^  after_start: permit", "  after_start: permitted"),
                (r"^    codes: -32768 .. 32767", "    codes: -32768"),
                (r"^  id: hilltop-23cm", "  id: Hilltop 23 cm"),
                (r"^  sysfs: /sys", "  sysfs: sys"),
                (r"^  period: 20 ms", "  period: 1001 ms"),  # out of range
                (r"^  period: 20 ms", "  period: 0.9 ms"),
                (r"^  trips: 3", "  trips: 0"),
                (r"^  trips: 3", "  trips: 101"),
                (r"^  trips: 3", "  trips: 2.5"),
                (r"^  trips: 3", "  trips: '3x'"),
                (r"^  port: 1883", "  port: 65536"),
                (r"^  rated_forward: 120 W", "  rated_forward: 101 kW"),
                (r"^  rated_forward: 120 W", "  rated_forward: 81 dBm"),
                (r"^  rated_forward: 120 W", "  rated_forward: 0 W"),
                (r"^  gain_reference: 25 degC", "  gain_reference: -41 degC"),
                (r"^  gain_drift: -0.02 dB/K", "  gain_drift: -0.21 dB/K"),
                (r"ground_reflection: 2.56", "ground_reflection: 4.5"),
                (r"^  id: hilltop-23cm\n", ""),  # missing
                (r"^dekeyd: 1\n", ""),
                (r"^  host: 127.0.0.1\n", ""),
                (r"^    detector:\n(?:      .*\n)+    coupling: 20 dB\n", "    coupling: 20 dB\n"),
                (r"^    device: ads1015.*\n", ""),
                (r"^    device: ads1015", "    chip: x\n    device: ads1015"),  # another driver's
                (r"^    address: fan1", "    address: fan1\n    pads: 3 dB"),  # another sensor's
                (r"^dekeyd: 1", "dekeyd: 2")):
            with self.subTest(new=new):
                errors, faults = self.planted(old, new)
                self.assertTrue(errors, "the schema takes it")
                self.assertTrue(faults, "check takes it")

    def test_the_schema_refuses_nothing_that_check_takes(self):
        text = ANNOTATED.read_text()
        values = ("0 s", "1 s", "100 ms", "50 mW", "30 dBm", "-3 dBm", "3", "2.0", "no", "held", "+3 dB", "1 V .. 3 V", "25 °C")
        spots = [match for line in re.finditer(r"^(?!\s*#).*$", text, re.M)
                 for match in re.finditer(r"(?<=: )[^\s,{}\[\]#]+(?: [^\s,{}\[\]#]+)*", line.group()) for match in [
                     (line.start() + match.start(), line.start() + match.end())]]
        taken = 0
        for number, (start, end) in enumerate(spots):
            value = values[(number * 5 + 3) % len(values)]
            errors, faults = self.refusals(text[:start] + value + text[end:])
            if not faults:
                taken += 1
                self.assertEqual(errors, [], text[text.rfind("\n", 0, start):end] + " -> " + value)
        self.assertGreater(taken, 10)

    def test_a_key_says_what_it_is(self):
        """What an editor shows beside a key comes from the table."""
        guard = self.schema["properties"]["guard"]["properties"]["period"]
        self.assertEqual(guard["description"], "The guard decides at each scan, and at least once in this time. Optional. A time, 1 ms to 100 ms "
                         "(accepted: 1 ms to 1 s). Default: 20 ms.")


if __name__ == "__main__":
    unittest.main()
