"""README against the tree: its links and pictures are there, its commands and MQTT topics exist, and it stays short."""
import os
import pathlib
import re
import unittest

SOURCE = pathlib.Path(os.environ.get("DEKEYD_SOURCE_DIR", pathlib.Path(__file__).resolve().parents[2]))
README = (SOURCE / "README.md").read_text()


class Readme(unittest.TestCase):
    def test_each_link_and_picture_leads_somewhere(self):
        links = re.findall(r"\]\(([^)#:]+)\)", README)
        self.assertEqual([link for link in links if not (SOURCE / link).exists()], [])
        pictures = re.findall(r"!\[[^]]+\]\(([^)]+)\)", README)
        self.assertEqual(pictures, ["tools/dashboard/page.png", "config/wiring/overview.svg"])
        # Installed it lies elsewhere: the package must know each of them.
        package = (SOURCE / "tools/package.d/debian.cmake").read_text()
        self.assertIn('"tools/dashboard/page.png=page.png"', package)

    def test_its_two_commands_are_the_first_of_the_tree(self):
        block = re.search(r"## Try it\n.*?\n\n((?:    [^\n]+\n)+)", README, re.S).group(1)
        commands = [line.split()[0] for line in block.splitlines()]
        self.assertEqual(commands, ["tools/demo", "tools/test"])
        for command in (*commands, "tools/package", "tools/dashboard/build", "tools/dashboard/picture"):
            self.assertTrue(os.access(SOURCE / command, os.X_OK), command)

    def test_each_command_of_the_operator_is_there_and_named(self):
        line = (SOURCE / "tools/dekeyctl/command_line.cpp").read_text()
        groups = re.search(r"constexpr std::array groups\{(.*?)\n\};", line, re.S).group(1)
        known = set(re.findall(r'"([a-z]+)"', groups))
        named = set(re.findall(r"^    dekeyctl ([a-z]+)", README, re.M))
        self.assertEqual(named, known)

    def test_each_topic_that_it_names_is_published(self):
        homie = (SOURCE / "daemon/telemetry/published/homie_properties.cpp").read_text()
        for node, topic in re.findall(r"`([a-z]+)/([a-z]+)`", README.split("| topic | what |")[1].split("\n\n")[0]):
            self.assertIn(f'Row{{"{node}", "{topic}"', homie)
        for node in re.findall(r"`([a-z]+)/…`", README):
            self.assertIn(f'Node{{"{node}"', homie)
        for command in re.findall(r"`permit/([a-z]+)/set`", README):
            self.assertIn(f"core::CommandKind::{command},", (SOURCE / "daemon/configuration/configuration.hpp").read_text())

    def test_the_road_is_ten_lines_in_their_order(self):
        road = re.search(r"## The road\n\n((?:    .*\n)+)", README).group(1).splitlines()
        self.assertEqual(len(road), 10)
        at = [next(i for i, line in enumerate(road) if word in line)
              for word in ("find --write", "check --here", "commission", "calibrate", "prove", "transmit")]
        self.assertEqual(at, sorted(at))

    def test_it_is_read_in_some_minutes(self):
        self.assertLess(len(README.split()), 2200)


unittest.main()
