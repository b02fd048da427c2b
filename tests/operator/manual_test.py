"""The manual pages and the completion, as they are installed: mandoc's and bash's own opinion of them, and that they say
what the programs themselves say."""
import json
import os
import pathlib
import re
import shutil
import subprocess
import unittest

FOLDER = pathlib.Path(os.environ["DEKEYD_MANUAL"])
DEKEYCTL = os.environ["DEKEYCTL"]
SOURCE = pathlib.Path(__file__).resolve().parents[2]
PAGES = ("dekeyd.8", "dekeyctl.1", "dekeyd.yaml.5")


def help_of(*command):
    return subprocess.run([DEKEYCTL, *command, "--help"], capture_output=True, text=True, check=True).stdout


def commands():
    listed = help_of().split("Set up: ")[1].split("Examples:")[0]
    return re.findall(r"^  ([a-z]+) ", listed, re.M)


def as_text(page):
    """The page as a reader sees it, on one line: mandoc's rendering with overstrikes taken out."""
    shown = subprocess.run(["mandoc", "-T", "utf8", "-O", "width=200", str(FOLDER / page)], capture_output=True, text=True,
                           check=True).stdout
    return re.sub(r"\s+", " ", re.sub(r".\x08", "", shown))


class Manual(unittest.TestCase):
    def test_mandoc_finds_nothing_to_mend(self):
        for page in PAGES:
            # Level "warning" and above; without a date, which would change with every build.
            ran = subprocess.run(["mandoc", "-T", "lint", "-W", "warning", str(FOLDER / page)], capture_output=True, text=True)
            complaints = [line for line in ran.stdout.splitlines() if "missing date" not in line]
            self.assertEqual(complaints, [], page)

    def test_every_command_and_option_is_there(self):
        page = as_text("dekeyctl.1")
        self.assertGreater(len(commands()), 10)
        for command in commands():
            text = help_of(command)
            self.assertIn(f"dekeyctl {command}", page)
            for option in re.findall(r"--[a-z-]+", text.split("Example")[0]):
                self.assertIn(option, page, command)
            self.assertRegex(text, r"Examples?:\n  dekeyctl", command)
        for section in ("EXIT STATUS", "EXAMPLES", "FILES", "SEE ALSO", "NO_COLOR"):
            self.assertIn(section, page)

    def test_every_key_of_the_configuration_is_there(self):
        page = as_text("dekeyd.yaml.5")
        for line in (SOURCE / "config/dekeyd.yaml").read_text().splitlines():
            key = re.match(r" *([a-z_-]+):", line)
            if key:
                self.assertIn(key.group(1) + ":", page)
        self.assertIn("Values carry their unit", page)

    def test_the_reference_says_of_each_key_what_the_table_says(self):
        page = as_text("dekeyd.yaml.5").split(" REFERENCE ")[1]
        keys = json.loads(subprocess.run([DEKEYCTL, "keys", "--json"], capture_output=True, text=True, check=True).stdout)
        self.assertGreater(len(keys), 180)
        for key in keys:
            words = [key["key"], key["says"], key["need"] + ".", key["value"] + "."]
            words += ["Default: " + key["default"] + "."] if key["default"] else []
            said = " ".join(words).replace("`", "").replace("'", "")
            self.assertIn(re.sub(r"\s+", " ", said), re.sub("[`'‘’]", "", page))

    @unittest.skipUnless(shutil.which("bash"), "needs bash")
    def test_completion(self):
        def complete(*words):
            line = " ".join(f"'{word}'" for word in words)
            script = (f"compopt() {{ :; }}; source '{FOLDER}/completion'; COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}; "
                      "_dekeyctl; printf '%s\\n' \"${COMPREPLY[@]}\"")
            ran = subprocess.run(["bash", "-ec", script], capture_output=True, text=True, cwd=SOURCE)
            self.assertEqual((ran.returncode, ran.stderr), (0, ""))
            return ran.stdout.split()

        self.assertEqual(complete("dekeyctl", "sta"), ["status"])
        self.assertLessEqual(set(commands()), set(complete("dekeyctl", "")))
        self.assertEqual(complete("dekeyctl", "status", "--js"), ["--json"])
        self.assertEqual(complete("dekeyctl", "--run", "/run", "watch", "--pl"), ["--plain"])
        self.assertEqual(complete("dekeyctl", "check", "READ"), ["README.md"])
        self.assertEqual(complete("dekeyctl", "log", "--state", "conf"), ["config"])
        self.assertEqual(complete("dekeyctl", "hold", "--reason", "x"), [])


if __name__ == "__main__":
    unittest.main()
