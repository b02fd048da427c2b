#!/usr/bin/env python3
"""The wiring page: its drawings are those that its program makes, and the kernel's own compiler takes its overlays.

Usage: wiring_test.py WIRING-FOLDER
"""
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import textwrap
import xml.etree.ElementTree

folder = pathlib.Path(sys.argv[1])
page = (folder / "wiring.md").read_text()
failures = 0


def expect(true, what):
    global failures
    print(("ok      " if true else "FAILED  ") + what)
    failures += not true


with tempfile.TemporaryDirectory(prefix="dekeyd-wiring-") as scratch:
    subprocess.run([sys.executable, folder / "draw", scratch], check=True)
    made = {path.name: path.read_text() for path in pathlib.Path(scratch).iterdir()}
    kept = {path.name: path.read_text() for path in folder.glob("*.svg")}
    expect(made == kept and len(kept) > 0, f"{len(kept)} drawings are as config/wiring/draw makes them")
    for name, text in sorted(kept.items()):
        xml.etree.ElementTree.fromstring(text)
        expect(f"]({name})" in page, f"{name} is shown on the page")
    overlays = [textwrap.dedent(text) for text in re.findall(r"^    /dts-v1/;\n(?:    .*\n|\n(?=    ))+", page, re.M)]
    expect(len(overlays) == 3, f"{len(overlays)} overlays on the page")
    if shutil.which("dtc") is None:
        print("skipped: dtc is not installed (Debian's device-tree-compiler, which tools/packages package installs)")
    else:
        for overlay in overlays:
            done = subprocess.run(["dtc", "-@", "-I", "dts", "-O", "dtb", "-o", f"{scratch}/overlay.dtbo"], input=overlay,
                                  text=True, capture_output=True, check=False)
            chip = re.search(r'compatible = "([^"]+)"', overlay)
            expect(done.returncode == 0 and done.stderr == "", f"dtc takes the overlay for {chip and chip[1]} {done.stderr}")
print(f"{failures} failures")
sys.exit(1 if failures else 0)
