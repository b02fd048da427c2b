#!/usr/bin/env python3
"""DEVELOPERS.md's map against the tree: each folder with sources has its line, each target its folders, each row of
tools/check-includes its folder, and no folder has grown beyond what a person keeps in mind."""
import os
import pathlib
import re
import sys
import unittest

TOP = pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"])
TEXT = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
CMAKE = (TOP / "CMakeLists.txt").read_text(encoding="utf-8")
# A pair of .cpp and .hpp is one to look for. Beyond this a folder needs its reason here.
MOST_NAMES = 20
CROWDED = {}
# Longer than this, a file needs its reason here.
MOST_LINES = 400
LONG = {
    "daemon/core/protection.cpp": "the step, from scans to a decision",
    "daemon/control/socket.cpp": "clients, their requests and the answers that wait",
    "daemon/guard/service.cpp": "start and stop in their order",
    "tools/dekeyctl/prove/command.cpp": "one proof test, from its precautions to its report",
    "tools/dekeyctl/set_up/starting_configuration.cpp": "one text, section by section",
}

def folders():
    found = {path.parent.relative_to(TOP).as_posix() for place in ("daemon", "drivers") for path in (TOP / place).rglob("*.cpp")}
    return sorted(found)

def tools():  # of the command and of the page
    found = [path.parent for path in (TOP / "tools/dekeyctl").rglob("*.cpp")]
    found += [path.parent for path in (TOP / "tools/dashboard/src/").rglob("*.ts") if path.name != "main.ts"]
    return sorted({path.relative_to(TOP).as_posix() for path in found})

class Map(unittest.TestCase):
    def test_each_folder_has_its_line(self):
        block = TEXT.split("## The map", 1)[1].split("```")[1]
        named = re.findall(r"^(\S+)/\s{2,}\S", block, re.M)
        self.assertEqual([], [folder for folder in folders() + tools() if folder not in named])
        self.assertEqual([], [name for name in named if not (TOP / name).is_dir()], "a line of the map without a folder")

    def test_each_target_has_its_folders(self):
        rows = dict(re.findall(r"^\| `(dekeyd_\w+)`[^|]*\| ([^|]+) \|", TEXT, re.M))
        variables = {name: words.split() for name, words in re.findall(r"dekeyd_sources\((\w+) ([^)]+)\)", CMAKE)}
        targets = re.findall(r"add_library\((dekeyd_\w+) STATIC \$\{(\w+)\}\)", CMAKE)
        self.assertTrue(targets)
        for target, variable in targets:
            self.assertEqual(variables[variable], rows.get(target, "no row").split(", "), target)

    def test_each_file_that_is_named_exists(self):
        places = [TOP / place for place in ("", "daemon", "daemon/configuration", "tests", "tests/browser", "tools/dashboard/src")]
        named = re.findall(r"`((?:[\w.-]+/)+\w+\.(?:[ch]pp|py|ts|json|csv|txt))`", TEXT)
        named += [f"{name}.*" for name in re.findall(r"`((?:\w+/)+\w+_test)`", TEXT)]
        self.assertGreater(len(named), 100)
        self.assertEqual([], [name for name in named if not any(any(place.glob(name)) for place in places)])

    def test_each_folder_has_its_rule(self):
        text = (TOP / "tools/check-includes").read_text(encoding="utf-8")
        rules = re.findall(r'^    "([^"*]+)": \(', text, re.M)
        self.assertTrue(rules)
        self.assertEqual([], [folder for folder in folders() if folder not in rules])

    def test_each_folder_of_tests_is_built(self):
        files = list((TOP / "tests").rglob("CMakeLists.txt"))
        built = {(file.parent / name).resolve() for file in files
                 for names in re.findall(r"FOLDER ([^A-Z)]+)", file.read_text(encoding="utf-8")) for name in names.split()}
        found = {path.parent for path in (TOP / "tests").rglob("*_test.cpp")}
        self.assertEqual([], sorted(str(folder) for folder in found if folder.resolve() not in built))

    def test_no_folder_is_crowded(self):
        for folder in [*folders(), *tools(), "tools/bench"]:
            names = {path.stem for kind in ("*.[ch]pp", "*.ts") for path in (TOP / folder).glob(kind)}
            if len(names) > MOST_NAMES:
                self.assertIn(folder, CROWDED, f"{len(names)} names; expected at most {MOST_NAMES}, or its reason in this test")

    def test_no_file_is_too_long_to_read(self):
        written = [("daemon", "*.[ch]pp"), ("drivers", "*.[ch]pp"), ("tools/dashboard/src", "*.ts")]
        written += [(f"tools/{room}", "*.[ch]pp") for room in ("dekeyctl", "bench", "manual")]
        written += [(f"tools/{room}", "*.py") for room in ("measure.d", "mutate.d", "demo.d")]
        for place, kinds in written:
            for path in (TOP / place).rglob(kinds):
                name, lines = path.relative_to(TOP).as_posix(), len(path.read_text(encoding="utf-8").splitlines())
                if lines > MOST_LINES:
                    self.assertIn(name, LONG, f"{lines} lines; expected at most {MOST_LINES}, or its reason in this test")

if __name__ == "__main__":
    sys.exit(unittest.main(verbosity=1))
