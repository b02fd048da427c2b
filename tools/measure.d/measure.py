"""The table of tools/measure: each row a figure, its goal, and whether it was met, missed, or is open."""
import argparse
import json
import os
import pathlib
import platform
import sys
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "demo.d"))
import peers  # noqa: E402
import rows  # noqa: E402


class Table:
    """Prints each figure as it comes, and counts the goals."""

    def __init__(self):
        self.lines = []

    def shown(self, row, figure, words):
        self._line(row, figure, words, "", "")

    def at_most(self, row, figure, value, most, judged=True):
        self._line(row, figure, str(value), f"<= {most:g}" if judged else "", value.verdict(most) if judged else "",
                   {"value": value.value, "low": value.low, "high": value.high})

    def open(self, row, figure, why):
        self._line(row, figure, why[:120], "", "open")

    def _line(self, row, figure, words, goal, verdict, more=None):
        print(f"{row:>4}  {figure:<72} {words:>26}  {goal:<8} {verdict}", flush=True)
        self.lines.append({"row": row, "figure": figure, "shown": words, "goal": goal, "verdict": verdict, **(more or {})})

    def count(self, verdict):
        return sum(line["verdict"] == verdict for line in self.lines)


def main():
    parser = argparse.ArgumentParser(prog="tools/measure")
    parser.add_argument("build")
    parser.add_argument("rows", nargs="*", type=int)
    parser.add_argument("--json", help="writes the figures to a file too")
    parser.add_argument("--seconds", type=float, default=4.0, help="of each measurement")
    options = parser.parse_intermixed_args()
    table, begun = Table(), time.monotonic()
    print(f"{time.strftime('%Y-%m-%d')}, {platform.machine()}, {os.cpu_count()} processors, Linux {platform.release()}; "
          "in brackets: where the figure lies at 95 %\n")
    print(f"{'row':>4}  {'figure':<72} {'here':>26}  {'goal':<8}")
    bench = rows.Rows(peers.Tools(options.build), options.seconds, table)
    with bench.stack:
        for number in options.rows or range(11):
            try:
                getattr(bench, f"row_{number}")()
            except Exception as error:  # a row that can't be measured is said, and the others go on
                table.open(number, "not measured", f"{type(error).__name__}: {error}")
    if options.json:
        pathlib.Path(options.json).write_text(json.dumps(table.lines, indent=1))
    met, missed, undecided = (table.count(verdict) for verdict in ("met", "MISSED", "open"))
    print(f"\nin {(time.monotonic() - begun) / 60:.1f} minutes: {met} of {met + missed + undecided} goals met, {missed} missed, "
          f"{undecided} open (this run can't decide them)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
