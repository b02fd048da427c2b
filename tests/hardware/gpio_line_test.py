#!/usr/bin/env python3
"""The GPIO driver and the stop hook on a real kernel: a virtual board, judged from outside by the levels of the pad.

Usage: gpio_line_test.py SOURCE-FOLDER CACHE-FOLDER
Exit code 77, with the reason, where the board can't be had; with DEKEYD_HARDWARE=required that is a failure.
"""
import os
import pathlib
import sys

import board as virtual
import debian
import image as images

LINES = {"high": 5, "low": 6}  # by the level that permits; each untouched until its turn
failures = []


def expect(true, what):
    print(("ok      " if true else "FAILED  ") + what, flush=True)
    if not true:
        failures.append(what)


def edges_so_far(board):
    board.pad(0)  # edges and answers come by one socket in their order, the console's words by another
    return len(board.edges)


def edges_since(board, count, wanted):
    board.pad(wanted)  # edges and answers come by one socket in their order: after an answer, all edges are here
    return [level for _, line, level in board.edges[count:] if line == wanted]


def one_polarity(board, polarity):
    """A whole life of the line. The pad's level that permits is `high` for polarity high."""
    high = polarity == "high"
    pad = LINES[polarity]
    seen = edges_so_far(board)
    board.send(f"line_program gpiochip0 {pad} {polarity}")
    answer = board.ask("open")
    expect(answer.startswith("inhibit "), f"permit {polarity}: requested at inhibit: {answer}")
    expect(board.pad(pad) == (True, not high), f"permit {polarity}: from outside, an output at {'low' if high else 'high'}")
    edges = edges_since(board, seen, pad)
    expect(high not in edges, f"permit {polarity}: no edge to permit while requesting {edges}")
    expect(board.ask("permit") == "permit", f"permit {polarity}: permit is read back")
    expect(board.pad(pad) == (True, high), f"permit {polarity}: and seen from outside")
    again = board.ask("again")
    expect(again.startswith("busy ") and "held by 'dekeyd'" in again, f"permit {polarity}: a second request: {again}")
    expect(board.pad(pad) == (True, high), f"permit {polarity}: which changed nothing")
    seen = edges_so_far(board)
    expect(board.ask("inhibit") == "inhibit", f"permit {polarity}: inhibit is read back")
    expect(board.pad(pad) == (True, not high) and edges_since(board, seen, pad) == [not high],
           f"permit {polarity}: and seen from outside, as one edge")
    board.ask("permit")
    seen = edges_so_far(board)
    expect(board.ask("close") == "closed" and edges_since(board, seen, pad)[:1] == [not high]
           and board.pad(pad)[1] != high, f"permit {polarity}: releasing inhibits first")
    expect(board.ask("open").startswith("inhibit "), f"permit {polarity}: free again after the release")
    board.send("leave")


def killed_while_permitting(board):
    """Many controllers keep the level of a dead holder: that is what the stop hook is for."""
    pad = LINES["high"]
    board.send(f"line_program gpiochip0 {pad} high")
    address = board.ask("address")
    board.ask("open")
    board.ask("permit")
    board.send("die")
    board.send(f"echo '{address}' > /run/line; echo '= noted'")
    expect(board.answer() == "noted", "the holder is killed with SIGKILL")
    stays = board.pad(pad)
    print(f"        the pad is then {'an output' if stays[0] else 'an input'} at {'high' if stays[1] else 'low'}")
    code = board.ask("dekeyd-inhibit /run/line; echo \"= $?\"")
    expect(code == "0", f"the stop hook says that it inhibited: exit code {code}")
    expect(board.pad(pad)[1] is False, "and the pad is at inhibit")
    board.send(f"line_program gpiochip0 {pad} high")
    board.ask("open")
    board.ask("permit")
    board.send("leave")
    board.send("echo '= left'")
    expect(board.answer() == "left" and board.pad(pad)[1] is False, "leaving while permitted inhibits too")


def scenario(source, cache):
    image = images.Image(source, cache)
    folder = pathlib.Path(__file__).resolve().parent
    programs = [image.compile("line_program", [folder / "line_program.cpp"]),
                image.compile("dekeyd-inhibit", [source / "daemon/inhibit/main.cpp"])]
    board = virtual.Board(image.kernel(), image.initramfs(programs))
    try:
        expect(board.answer() == "ready", f"Debian's arm64 kernel is up after {board.seconds():.1f} s")
        expect(board.edges == [], "no edge on any pad while it booted")
        one_polarity(board, "high")
        one_polarity(board, "low")
        killed_while_permitting(board)
        print("        edges seen from outside (seconds, line, level):")
        for at, line, level in board.edges:
            print(f"        {at:8.3f}  {line}  {'high' if level else 'low'}")
    except Exception:
        print("\n".join(board.log[-40:]))
        raise
    finally:
        board.close()


def main():
    source, cache = (pathlib.Path(argument).resolve() for argument in sys.argv[1:3])
    try:
        missing = images.missing_tools(images.TOOLS)
        if missing:
            raise debian.Unavailable(f"{', '.join(missing)} not installed; tools/packages hardware installs what is needed")
        scenario(source, cache)
    except debian.Unavailable as reason:
        required = os.environ.get("DEKEYD_HARDWARE") == "required"
        print(f"{'FAILED' if required else 'skipped'}: no virtual board: {reason}")
        return 1 if required else 77
    print(f"{len(failures)} failures")
    return 1 if failures else 0


sys.exit(main())
