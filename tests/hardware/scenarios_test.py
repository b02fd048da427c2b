#!/usr/bin/env python3
"""dekeyd as its package installs it, under its real unit and systemd, on a real kernel with the kernel's own sensor
drivers, in a virtual board. What it did is judged from outside: by the edges of the inhibit line that QEMU reports, each
with its time, and by what a broker on this machine received. A wait ends at a cap; no verdict depends on speed else.

Usage: scenarios_test.py SOURCE-FOLDER CACHE-FOLDER MANUAL-FOLDER [short | others | SCENARIO...]
short: those that the gate plays; others: the rest. Each begins with `start`.
MANUAL-FOLDER: a native build's manual pages, for the arm64 package, which tools/package makes first.
Exit code 77, with the reason, where the board can't be had; with DEKEYD_HARDWARE=required that is a failure.
"""
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import time

import debian
import image as images
import thermometers
from station import BUS, INHIBIT, LINE, PERMIT, WIRE, Broker, Failed, Station, expect

CONFIGURATION = "/etc/dekeyd/dekeyd.yaml"
DROP_INS = "/etc/systemd/system/dekeyd-telemetry.service.d"


# ---- the scenarios: each begins permitted, ends permitted, and returns a remark ----

def start(station):
    """From power-on: the line's whole life until an operator's first reset, and after."""
    board = station.board
    expect(station.answer() == "ready", "the board boots")
    booted = board.seconds()
    # Enabled, it is started at boot, before any of its sensors is there.
    station.wait_for(lambda: "=active" in station.run("systemctl show -p ActiveState dekeyd")[0], "it is started at boot")
    station.wait_for(lambda: station.status().get("state") == "latched", "and answers, latched by its first start ever")
    expect(board.pad(LINE) == (True, INHIBIT), "the line is an output then, at inhibit")
    station.connect()
    station.tell(f"sed -i 's/port: 1883/port: {station.broker.port}/' {CONFIGURATION}; systemctl restart dekeyd")
    shown = station.succeeds("systemctl show -p ActiveState dekeyd")
    expect("ActiveState=active" in shown, f"the unit is active: {shown}")

    def latched_alone():  # by its first start ever; what else stood is gone when the sensors have settled
        status = station.status()
        return status.get("state") == "latched" and status["memory"]["first_start"] and station.causes(status) == []
    station.wait_for(latched_alone, "at its first start ever it ends latched")
    expect(board.pad(LINE) == (True, INHIBIT), "an output, at inhibit")
    expect(station.edges() == [], f"no edge from power-on to here: {station.edges()}")
    ready = board.seconds()
    station.succeeds("dekeyctl reset")
    permitted = station.wait(PERMIT, 0, "after the first reset")
    expect(station.edges()[0] == (permitted, PERMIT), f"the first edge ever is that permit: {station.edges()}")
    return f"systemd up after {booted:.0f} s; the first edge ever is the permit, {permitted - ready:.1f} s after the reset was asked"


def unit(station):
    """What the unit gives and takes, on a systemd that runs."""
    figures, remaining = {}, []
    for name, most in (("dekeyd", 1.1), ("dekeyd-telemetry", 1.8)):
        text = station.succeeds(f"systemd-analyze security --no-pager {name}.service")
        figure = re.search(rf"exposure level for {name}\.service: ([0-9.]+)", text)
        expect(figure and float(figure[1]) <= most, f"exposure of {name}: {text[-400:]}")
        figures[name] = figure[1]
        remaining += [f"{name}: " + " ".join(line[1:].split()) for line in text.splitlines() if line.startswith("✗")]
    shown = station.succeeds("systemctl show -p User,NRestarts,WatchdogUSec,Type,FragmentPath dekeyd; "
                             "pid=$(pidof dekeyd); grep -h -E '^(Uid|CapEff|NoNewPrivs|Seccomp):' /proc/$pid/status; "
                             "ls -l /dev/gpiochip0; systemctl list-dependencies --plain dekeyd >/dev/null")
    for words in ("User=dekeyd", "Type=notify", "WatchdogUSec=2s", "FragmentPath=/lib/systemd/system/dekeyd.service",
                  "CapEff:\t0000000000000000", "NoNewPrivs:\t1", "Seccomp:\t2", "root     gpio"):
        expect(words.replace("/lib/", "lib/") in shown.replace("/usr/lib/", "/lib/").replace("/lib/", "lib/"), f"{words}:\n{shown}")
    expect("Uid:\t0\t" not in shown, f"it isn't root: {shown}")
    guard = station.status()["guard"]
    expect(guard["realtime"] and guard["memory_locked"], f"real-time priority and locked memory without root: {guard}")
    # The telemetry's user reaches the socket, and is a stranger there whatever it says.
    def as_telemetry(arguments):
        """What dekeyctl says to its user, and whether it was content. (systemd-run would want a message bus.)"""
        text = (f"[Service]\\nType=oneshot\\nUser=dekeyd-telemetry\\nStandardOutput=file:/run/said\\nStandardError=inherit\\n"
                f"ExecStart=/usr/bin/dekeyctl {arguments}\\n")
        station.succeeds(f"rm -f /run/said; echo -e '{text}' >/run/systemd/system/stranger.service; systemctl daemon-reload")
        _, code = station.run("systemctl start stranger")
        return station.run("cat /run/said")[0], code == 0

    said, content = as_telemetry("status")
    expect(not content, f"the operators' socket is closed to the telemetry's user: {said}")
    said, content = as_telemetry("--socket /run/dekeyd/telemetry status")
    expect(content, f"its own is open to it: {said}")
    said, content = as_telemetry("--socket /run/dekeyd/telemetry reset")
    expect(not content and "remote" in said, f"at its own socket it is told that what it asks for is remote: {said}")
    print("\n".join(f"         {line}" for line in [*remaining, *shown.splitlines()]), flush=True)
    return (f"exposure {figures['dekeyd']}, of the telemetry {figures['dekeyd-telemetry']}; not root, no capability, real-time priority "
            "and locked memory all the same; what the telemetry's user asks for is remote")


def finds(station):
    text = station.succeeds("dekeyctl find")
    for word in ("28-0000000000a1", "28-0000000000a2", "ads1015", "voltage0", "ltc4151", "in1", "9030000.pl061"):
        expect(word in text, f"find names {word}:\n{text}")
    print(text)
    return "it names both thermometers, converter, monitor and the GPIO chip"


def checks(station):
    text = station.succeeds(f"dekeyctl check {CONFIGURATION}")
    expect("9030000.pl061" in text, f"check: {text}")
    bad, code = station.run(f"sed 's/above: 70 degC/above: 70/' {CONFIGURATION} > /tmp/bad.yaml; dekeyctl check /tmp/bad.yaml")
    expect(code != 0 and "70" in bad, f"a level without unit is refused: {bad}")
    return "the real configuration passes, one without a unit is refused"


def proves(station):
    """The proof test. The line's part, and every limit: each drives the line to permit, and back when it trips."""
    since = station.mark()
    station.succeeds("dekeyctl hold --reason 'proof test'")
    station.wait(INHIBIT, since, "held")
    between = station.mark()
    station.succeeds("mkdir -p /tmp/proofs; yes y | dekeyctl prove --yes --folder /tmp/proofs --slack 10 --json >/tmp/proof.json")
    report = json.loads(station.succeeds("cat /tmp/proof.json"))
    expect(report["passed"] and report["line_test"]["passed"], f"passed: {report}")
    results = {row["id"]: row["result"] for row in report["limits"]}
    expect(set(results.values()) == {"pass"} and {"heatsink", "vswr", "drive"} <= set(results), f"every limit: {results}")
    edges = station.levels(between)
    expect(edges == [PERMIT, INHIBIT] * (len(edges) // 2) and len(edges) >= 2 * (1 + len(results)),
           f"from outside, a moment of permit for the line and for each limit: {edges}")
    expect(station.status()["state"] == "held", "the hold stands after it")
    between = station.mark()
    station.succeeds("dekeyctl release")
    station.wait(PERMIT, between, "released")
    slowest = max(report["limits"], key=lambda row: row["delay_s"])
    return f"the line and {len(results)} limits pass; the slowest was {slowest['id']} with {slowest['delay_s']:.3f} s"


def trips(begin, end, what, cause, latched=False):
    """A cause that comes and goes: inhibit by it, permit after it (and a reset where it latches)."""
    def scenario(station):
        since = station.mark()
        begin(station)
        station.wait(INHIBIT, since, what)
        status = station.status_with(cause, what)
        expect(station.levels(since) == [INHIBIT], f"{what}: one edge, and it stays: {station.levels(since)}")
        between = station.mark()
        end(station)
        if latched:
            expect(station.levels(between) == [], f"{what}: latched, so it stays without a reset")
            station.wait_for(lambda: station.run("dekeyctl reset")[1] == 0 and station.status()["state"] != "latched",
                             f"{what}: a reset ends the latch")
        station.wait(PERMIT, between, f"{what}, ended")
        return status["reason"]
    return scenario


def swapped(station):
    since = station.mark()
    station.tell(f"echo 0 > {WIRE}/a1/present; echo 480 > {WIRE}/b7/sixteenths; echo 1 > {WIRE}/b7/present")
    station.wait(INHIBIT, since, "a sensor that was taken out")
    between = station.mark()
    station.tell("while [ ! -d /sys/bus/w1/devices/28-0000000000b7 ] || [ -d /sys/bus/w1/devices/28-0000000000a1 ]; do sleep 0.2; done")
    # It is refused while the new one has given no reading yet, as just after it was plugged in.
    text = station.succeeds("until dekeyctl adopt heatsink --yes; do sleep 1; done")
    station.heatsink = "b7"
    expect(station.levels(between).count(PERMIT) == 0, f"held: no permit by the adoption itself: {text}")
    station.succeeds("dekeyctl release")
    station.wait(PERMIT, between, "adopted and released")
    return text.splitlines()[-1]


def restarted(station):
    """SIGTERM, by systemctl stop, and a clean start after it."""
    since = station.mark()
    station.succeeds("systemctl stop dekeyd")
    gone = station.wait(INHIBIT, since, "SIGTERM")
    expect(station.levels(since) == [INHIBIT], "one edge, and at inhibit while stopped")
    shown = station.succeeds("systemctl show -p Result,ExecMainCode,ExecMainStatus dekeyd")
    expect("Result=success" in shown and "ExecMainStatus=0" in shown, f"a clean end: {shown}")
    between = station.mark()
    station.succeeds("systemctl start dekeyd")  # Type=notify: returns when dekeyd says that it is ready
    came = station.wait(PERMIT, between, "after a clean restart")
    return f"inhibit on SIGTERM, clean exit; permit {came - gone:.1f} s later by itself"


def ended(station, signal, what):
    """By a signal that the daemon can't answer, and started again by systemd: the seconds until the line inhibits."""
    since, began = station.mark(), station.board.seconds()
    station.tell(f"kill -{signal} $(pidof dekeyd)")
    gone = station.wait(INHIBIT, since, what)
    between = station.mark()
    station.wait(PERMIT, between, "started again by systemd")
    return gone - began


def killed(station):
    """SIGKILL: the kernel leaves this pad at permit, and the stop hook takes it back."""
    return f"the stop hook inhibits {ended(station, 9, 'the stop hook after SIGKILL'):.1f} s after; started again by systemd"


def killed_while_stuck(station):
    """SIGKILL while a thread is stuck in the kernel: the process can't end, so systemd waits for its watchdog, for the
    abort and for the kill before it calls the stop hook. The heatsink's age is long enough to be at permit till then."""
    said = " ".join(station.succeeds(f"dekeyctl check {CONFIGURATION}").split())
    derived_s = int(re.search(r"stuck in the kernel for up to (\d+) s", said)[1])
    since = station.mark()
    station.fault(f"{WIRE}/fault", "hang")
    time.sleep(1)
    began = station.board.seconds()
    station.tell("kill -9 $(pidof dekeyd)")
    gone = station.wait(INHIBIT, since, "the stop hook, by way of the watchdog")
    between = station.mark()
    station.fault(f"{WIRE}/fault", "none")
    expect(0 < gone - began <= derived_s + 5, f"{gone - began:.1f} s, and check says {derived_s} s")  # an emulation is late
    station.wait(PERMIT, between, "started again by systemd")
    return f"the stop hook inhibits {gone - began:.1f} s after; check says up to {derived_s} s"


def no_credential(station):
    """The drop-in for the broker's password without its file stops neither the start nor the stop hook."""
    since = station.mark()
    station.succeeds(f"mkdir -p {DROP_INS}; cp /usr/share/doc/dekeyd/drop-ins/broker-password.conf {DROP_INS}/; "
                     f"sed -i 's/^mqtt: {{/mqtt: {{user: hilltop, /' {CONFIGURATION}; systemctl daemon-reload; systemctl restart dekeyd dekeyd-telemetry")
    station.wait(INHIBIT, since, "restarted")
    station.wait(PERMIT, since + 1, "started without the credential's file")
    said = station.succeeds("journalctl -u dekeyd-telemetry -o cat --no-pager | grep -i password | tail -n 1")
    remark = killed(station)
    station.succeeds(f"rm -r {DROP_INS}; sed -i 's/user: hilltop, //' {CONFIGURATION}; systemctl daemon-reload")  # for the next start
    return f"{remark}; the log: {said}"


def stopped(station):
    after_s = ended(station, "STOP", "systemd's watchdog after SIGSTOP")
    said = station.succeeds("journalctl -u dekeyd --no-pager -o cat | grep -i 'watchdog timeout' | tail -n 1")
    return f"inhibit {after_s:.1f} s after: {said}"


def full_disk(station):
    station.tell("for size in 1M 1k; do dd if=/dev/zero of=/var/filled-$size bs=$size 2>/dev/null; done")
    left = station.succeeds("df /var/lib/dekeyd | tail -n 1")
    since = station.mark()
    station.heat(80)
    station.wait(INHIBIT, since, "too hot with a full disk")
    between = station.mark()
    station.heat(30)
    station.wait(PERMIT, between, "cool again with a full disk")
    # A start that the storage doesn't take permits nothing: the next one couldn't know how this one ended.
    since = station.mark()
    station.succeeds("systemctl restart dekeyd")
    station.wait_for(lambda: "storage" in station.status().get("reason", ""), "nothing stands but the storage")
    reason = station.status()["reason"]
    expect(station.levels(since) == [INHIBIT], f"inhibited while the start isn't stored: {station.levels(since)}")
    between = station.mark()
    station.tell("rm -f /var/filled-*")
    station.wait(PERMIT, between, "with room again it permits by itself")
    return f"{left.split()[-3]} kB left; {reason}"


def long_ago(station):
    since = station.mark()
    station.tell("date -s @3600")
    expect(station.edges(since) == [], "a stepped clock moves nothing")
    station.succeeds("systemctl restart dekeyd")
    station.wait(PERMIT, since, "started in 1970")
    since = station.mark()
    station.heat(80)
    station.wait(INHIBIT, since, "too hot in 1970")
    between = station.mark()
    station.heat(30)
    station.wait(PERMIT, between, "cool in 1970")
    since = station.mark()
    station.tell(f"date -s @{int(time.time())}")
    expect(station.edges(since) == [], "stepped forward again")
    return "restart, trip and return in 1970; neither step of the clock moves the line"


def kernel_hangs(station):
    """The whole machine stops with the line at permit. Its hardware watchdog resets it."""
    board, since = station.board, station.mark()
    began = board.seconds()
    board.send("sync; echo 0 > /proc/sys/kernel/panic; echo 1 > /proc/sys/kernel/sysrq; echo c > /proc/sysrq-trigger")
    reset = station.wait(INHIBIT, since, "the hardware watchdog")
    between = station.mark()
    expect(station.answer() == "ready", "the board boots again")
    expect(station.levels(between) == [], "inhibited while it boots")
    station.connect()
    permitted = station.wait(PERMIT, between, "after the reset")
    expect(station.levels(between) == [PERMIT], "no other edge since the reset")
    return f"reset {reset - began:.0f} s after; boots inhibited; permit {permitted - reset:.0f} s after the reset, with its sensors"


def telemetry(station):
    told = station.broker.told
    expect("ready" in told("$state"), f"$state: {told('$state')}")
    permits = told("permit/permit")
    expect("true" in permits and "false" in permits, f"permit: {permits}")
    return f"{len(permits)} values of permit at the broker, states {', '.join(dict.fromkeys(told('$state')))}"


CONVERTER, MONITOR, WIRE_A1 = f"{BUS}/converter/fault", f"{BUS}/monitor/fault", f"{WIRE}/a1/fault"


def fault(place, word, what, cause, end="none"):
    return trips(lambda s: s.fault(place, word), lambda s: s.fault(place, end), what, cause)


SCENARIOS = {
    "start": start,
    "unit": unit,
    "find": finds,
    "check": checks,
    "prove": proves,
    "heating to trip": trips(lambda s: s.heat(72), lambda s: s.heat(40), "too hot", "limit:heatsink"),
    "VSWR": trips(lambda s: s.rf(50, 10, 1), lambda s: s.rf(0, 0, 0), "VSWR", "limit:vswr", latched=True),
    "overdrive": trips(lambda s: s.rf(0, 0, 3), lambda s: s.rf(0, 0, 0), "overdrive", "limit:drive"),
    "1-Wire CRC": fault(WIRE_A1, "crc", "bad CRC", "limit:heatsink"),
    "absent sensor": fault(f"{WIRE}/a1/present", 0, "unplugged", "limit:heatsink", end=1),
    "85 degC power-on": fault(WIRE_A1, "reset", "power-on value", "limit:heatsink"),
    "1-Wire shorted": fault(f"{WIRE}/fault", "short", "short", "limit:heatsink"),
    "1-Wire bus hangs": fault(f"{WIRE}/fault", "hang", "hanging 1-Wire", "limit:heatsink"),
    "I2C chip silent": fault(CONVERTER, "refuse", "no acknowledge", "channel:forward"),
    "I2C bus hangs": fault(f"{BUS}/hang", 1, "hanging I2C", "channel:forward", end=0),
    "supply monitor dead": fault(MONITOR, "timeout", "no supply reading", "limit:supply-low"),
    "sensor swapped": swapped,
    "converted together": thermometers.together,
    "fewer bits": thermometers.bits,
    "SIGTERM, start": restarted,
    "SIGKILL": killed,
    "SIGKILL, stuck": killed_while_stuck,
    "no credential": no_credential,
    "SIGSTOP": stopped,
    "disk full": full_disk,
    "clock from 1970": long_ago,
    "kernel hangs": kernel_hangs,
    "telemetry": telemetry,
}

SHORT = ("start", "unit", "heating to trip", "VSWR", "absent sensor", "I2C bus hangs", "fewer bits",
         "SIGTERM, start", "SIGKILL", "SIGKILL, stuck", "SIGSTOP", "telemetry")


def chosen(words):
    if words == ["short"]:
        return list(SHORT)
    if words == ["others"]:
        words = [name for name in SCENARIOS if name not in SHORT]
    return ["start", *(name for name in words or SCENARIOS if name != "start")]


def edges_text(station, since, began):
    return " ".join(f"{'permit' if level else 'inhibit'}@{at - began:.2f}"
                    for at, line, level in station.board.edges[since:] if line == LINE)


def play(station, names):
    """Every scenario's row: name, its begin, edges, verdict."""
    rows = []
    for name in names:
        since, began = len(station.board.edges), station.board.seconds()
        try:
            remark, verdict = SCENARIOS[name](station), "pass"
        except Failed as failure:
            remark, verdict = f"{failure}\n{station.evidence()}", "FAIL"
        edges = edges_text(station, since, began)
        rows.append((name, began, edges, verdict))
        print(f"{began:7.1f}  {name:20} {verdict}  {edges}\n         {remark}", flush=True)
        if verdict == "FAIL":
            break  # the next ones begin from a state that isn't there
    return rows


def print_table(rows):
    print("\nscenario             began   verdict  edges of the line, seconds after the scenario's begin")
    for name, began, edges, verdict in rows:
        print(f"{name:20} {began:5.0f} s  {verdict:7}  {edges or '-'}")


def package(source, manual):
    """The arm64 package as it is given out, of these sources."""
    done = subprocess.run([source / "tools/package", "--arm64", "--without-page", "--manual", manual], stdin=subprocess.DEVNULL,
                          stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"tools/package --arm64: exit code {done.returncode}\n{done.stdout[-3000:]}")
    return pathlib.Path(done.stdout.splitlines()[-1])


def whole(source, cache, manual, names):
    began = time.monotonic()
    made = package(source, manual)
    print(f"{made.name} made in {time.monotonic() - began:.0f} s", flush=True)
    image = images.Image(source, cache)
    initramfs, root = image.system(made, pathlib.Path(__file__).resolve().parent / "board.yaml")
    print(f"image made after {time.monotonic() - began:.0f} s", flush=True)
    rows = []
    with tempfile.TemporaryDirectory(prefix="dekeyd-scenarios-") as scratch:
        broker = Broker(pathlib.Path(scratch))
        station = Station(image.kernel(), initramfs, root, broker)
        try:
            rows = play(station, names)
        except Exception:
            print("\n".join(station.board.log[-60:]))
            raise
        finally:
            station.close()
            broker.close()
    print_table(rows)
    return [name for name in names if (name, "pass") not in {(row[0], row[3]) for row in rows}]


def main():
    source, cache, manual = (pathlib.Path(argument).resolve() for argument in sys.argv[1:4])
    names = chosen(sys.argv[4:])
    try:
        missing = images.missing_tools((*images.TOOLS, *images.TOOLS_FOR_MODULES, *images.TOOLS_FOR_SYSTEM, "cmake", "ninja",
                                        "fakeroot", "dpkg-shlibdeps", "mosquitto", "mosquitto_sub"))
        if missing:
            raise debian.Unavailable(f"{', '.join(missing)} not installed; tools/packages hardware installs what is needed")
        failures = whole(source, cache, manual, names)
    except debian.Unavailable as reason:
        required = os.environ.get("DEKEYD_HARDWARE") == "required"
        print(f"{'FAILED' if required else 'skipped'}: no virtual board: {reason}")
        return 1 if required else 77
    print(f"{len(names) - len(failures)} of {len(names)} scenarios pass" + (f"; failed or not reached: {', '.join(failures)}" if failures else ""))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
