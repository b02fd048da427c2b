"""The station's sheet as the program prints it: any XML parser reads it, nothing in it is fetched or runs, and no box of
its drawings lies on another or beyond the edge."""
import os
import pathlib
import subprocess
import tempfile
import unittest
import xml.etree.ElementTree as tree

SOURCE = pathlib.Path(__file__).resolve().parents[2]
SVG = "{http://www.w3.org/2000/svg}"
HTML = "{http://www.w3.org/1999/xhtml}"
# A wide sans-serif's mean advance, of the font's size: from DejaVu Sans's own tables, some 0.6 for prose.
ADVANCE = 0.6


def sheet(*arguments, code=0):
    ran = subprocess.run([os.environ["DEKEYCTL"], "sheet", *map(str, arguments)], capture_output=True, text=True, timeout=60)
    assert ran.returncode == code, f"{arguments}: {ran.stdout}{ran.stderr}"
    return ran.stdout if code == 0 else ran.stderr


def boxes(svg):
    kinds = {"part", "load", "mark"}
    return [tuple(float(rect.get(key)) for key in ("x", "y", "width", "height")) for rect in svg.iter(SVG + "rect")
            if rect.get("class") in kinds]


def looked_at(case, page):
    """What holds of every sheet."""
    root = tree.fromstring(page.removeprefix("<!DOCTYPE html>\n"))
    tags = {element.tag for element in root.iter()}
    for forbidden in ("script", "link", "img", "iframe", "object"):
        case.assertNotIn(HTML + forbidden, tags)
    for element in root.iter():
        case.assertFalse([key for key in element.keys() if key.lower().startswith("on") or key in ("src", "href")])
    drawings = list(root.iter(SVG + "svg"))
    case.assertGreaterEqual(len(drawings), 2)
    for svg in drawings:
        _, _, width, height = map(float, svg.get("viewBox").split())
        found = boxes(svg)
        for x, y, w, h in found:
            case.assertTrue(0 <= x and x + w <= width and 0 <= y and y + h <= height, (x, y, w, h, width, height))
        for i, (x, y, w, h) in enumerate(found):
            for x2, y2, w2, h2 in found[:i]:
                apart = x + w <= x2 or x2 + w2 <= x or y + h <= y2 or y2 + h2 <= y
                within = x2 <= x and x + w <= x2 + w2 and y2 <= y and y + h <= y2 + h2  # a mark in its bus's box
                case.assertTrue(apart or within, ((x, y, w, h), (x2, y2, w2, h2)))
        for text in svg.iter(SVG + "text"):
            half = 12 * ADVANCE * len(text.text or "") / 2
            x = float(text.get("x"))
            left, right = {"middle": (x - half, x + half), "start": (x, x + 2 * half)}[text.get("text-anchor")]
            case.assertTrue(0 <= left and right <= width + 1, text.text)
            case.assertLessEqual(float(text.get("y")), height)
    return root


class Sheet(unittest.TestCase):
    def examples(self):
        return [SOURCE / "config/dekeyd.yaml", *sorted((SOURCE / "config/examples").glob("*.yaml"))]

    def test_each_example_makes_one(self):
        for file in self.examples():
            with self.subTest(file.name):
                looked_at(self, sheet(file))

    def test_the_demos_station_makes_one(self):
        with tempfile.TemporaryDirectory() as folder:
            text = (SOURCE / "tools/demo.d/hilltop.yaml").read_text().replace("${folder}", folder).replace("${port}", "1883")
            file = pathlib.Path(folder) / "demo.yaml"
            file.write_text(text)
            page = sheet(file)
            looked_at(self, page)
            self.assertIn("protects nothing", page)

    def test_names_that_are_marks_elsewhere(self):
        name = """<i>&amp; "x" 'y' ]]> ünï %s""" % ("long " * 6)
        with tempfile.TemporaryDirectory() as folder:
            file = pathlib.Path(folder) / "a<b>&.yaml"
            text = (SOURCE / "config/dekeyd.yaml").read_text()
            quoted = "'" + name.replace("'", "''") + "'"
            for old in ("Hill-top repeater amplifier", "Heatsink", "Forward power", "Heatsink too hot"):
                text = text.replace(f"name: {old}\n", f"name: {quoted}\n", 1)
            text = text.replace("name: Driver,", f"name: {quoted},").replace("name: Pad,", f"name: {quoted},")
            file.write_text(text)
            root = looked_at(self, sheet(file))
            self.assertEqual(root.find(f".//{HTML}h1").text.split(), name.split())
            self.assertIn(file.name, "".join(root.itertext()))

    def test_a_file_that_is_there_is_kept(self):
        with tempfile.TemporaryDirectory() as folder:
            configuration = pathlib.Path(folder) / "station.yaml"
            configuration.write_text((SOURCE / "config/dekeyd.yaml").read_text())
            page = pathlib.Path(folder) / "station.html"
            self.assertIn("print it", sheet(configuration, "--output", page))
            looked_at(self, page.read_text())
            self.assertIn("--overwrite", sheet(configuration, "--output", page, code=1))
            sheet(configuration, "--output", page, "--overwrite")
            before = configuration.read_text()
            self.assertIn("the configuration itself", sheet(configuration, "-o", configuration, "--overwrite", code=1))
            self.assertEqual(configuration.read_text(), before)
            self.assertIn("nowhere", sheet(folder + "/nowhere.yaml", code=1))


if __name__ == "__main__":
    unittest.main(verbosity=1)
