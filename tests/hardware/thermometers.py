"""Thermometers that convert together, and by fewer bits, by the kernel's real w1_therm: what is asked of the parts is
counted by the parts themselves (fake_w1), so that the slow way can't pass for the quick one.
"""
from station import INHIBIT, PERMIT, WIRE, expect

CONFIGURATION, DROP_INS = "/etc/dekeyd/dekeyd.yaml", "/etc/systemd/system/dekeyd.service.d"
MASTER, DEVICES = "/sys/devices/w1_bus_master1", "/sys/bus/w1/devices"
TRIGGER = f"{MASTER}/therm_bulk_read"
PARTS = {"heatsink": "a1", "ambient": "a2", "shed": "a3"}
THIRD = "shed: {name: Shed, bus: wire, address: 28-0000000000a3, measures: temperature, allowed_age: 8 s, required: no}"
CONVERSION_S = 0.75  # by 12 bits: DS18B20 datasheet
MEASURED = {"heatsink": 30.1875, "ambient": 21.75, "shed": -10.25}  # what the parts are at


def folder(part):
    return f"{DEVICES}/28-0000000000{part}"


def configure(station, keys):
    """With three thermometers, and these keys of their bus; dekeyd is restarted by what follows."""
    station.tell(f"cp {CONFIGURATION} /run/before.yaml; sed -i -e 's/^  wire: .*/  wire: {{driver: w1, period: 200 ms, {keys}}}/' "
                 f"-e 's/^  ambient:/  {THIRD}\\n  ambient:/' {CONFIGURATION}; echo 1 > {WIRE}/a3/present")
    for sensor, part in PARTS.items():
        station.tell(f"echo {round(MEASURED[sensor] * 16) & 0xFFFFFFFF} > {WIRE}/{part}/sixteenths")
    # By the udev rule, of a thermometer that came while the board runs.
    station.wait_for(lambda: permissions(station) == ["root dekeyd 664"] * 4, "the rule lets the group write")


def drop_in(station):
    station.tell(f"mkdir -p {DROP_INS}; cp /usr/share/doc/dekeyd/drop-ins/thermometers.conf {DROP_INS}/; systemctl daemon-reload")


def restart(station):
    station.succeeds("systemctl restart dekeyd dekeyd-telemetry")


def restore(station):
    """As before the scenario, permitted. A part keeps the bits that it was set to as long as it has its supply."""
    since = station.mark()
    station.tell(f"rm -r {DROP_INS}; cp /run/before.yaml {CONFIGURATION}; echo 0 > {WIRE}/a3/present; systemctl daemon-reload")
    restart(station)
    station.wait(INHIBIT, since, "restarted")
    station.wait(PERMIT, since, "as before")
    # Without its supply for a moment, and its folder stays: back at 12 bits, and the kernel believes those that were set.
    station.tell(f"echo 0 > {MASTER}/w1_master_search; echo 0 > {WIRE}/a2/present; echo 1 > {WIRE}/a2/present")
    station.wait_for(lambda: station.succeeds(f"cat {folder('a2')}/conv_time") == "750", "the guard makes the kernel ask the part")
    station.tell(f"echo -1 > {MASTER}/w1_master_search")
    station.tell("; ".join(f"echo 12 > {folder(part)}/resolution" for part in ("a1", "a2")))  # a guard with 'bits' is gone


def permissions(station):
    """Owner, group and mode of what the guard writes: the trigger, and the three thermometers' bits."""
    files = " ".join([TRIGGER, *(f"{folder(part)}/resolution" for part in PARTS.values())])
    return station.run(f"stat -c '%U %G %a' {files}")[0].splitlines()


def readings(station):
    """Of each thermometer its degrees where it is measured, and else its fault."""
    quantities = {one["id"]: one for one in station.status().get("quantities", [])}
    return {sensor: quantities[sensor]["value"] if quantities[sensor]["health"] == "good" else quantities[sensor]["fault"]
            for sensor in PARTS if sensor in quantities}


def wait_for_readings(station, wanted, what):
    seen = {}

    def as_wanted():
        seen.clear()
        seen.update(readings(station))
        return seen == wanted
    try:
        station.wait_for(as_wanted, what)
    except Exception as failure:
        raise type(failure)(f"{failure}: {seen}, expected {wanted}") from None


def counted(station):
    """The board's seconds, and the conversions of each part: begun by one command to all, and to it alone."""
    clock, *lines = station.succeeds(f"cut -d ' ' -f 1 /proc/uptime; cat {WIRE}/conversions").splitlines()
    of_parts = {part: (int(all_at_once), int(alone)) for part, all_at_once, alone in map(str.split, lines)}
    return float(clock), *([of_parts[part][how] for part in PARTS.values()] for how in (0, 1))


def rounds(station, seconds=6):
    """The seconds of a round, each of which is one conversion of all; none may convert alone."""
    began, together_before, alone_before = counted(station)
    station.tell(f"sleep {seconds}")
    ended, together, alone = counted(station)
    made = [after - before for before, after in zip(together_before, together)]
    expect(alone == alone_before, f"no thermometer converts alone: {alone_before}, then {alone}")
    expect(len(set(made)) == 1 and made[0] >= 2, f"all convert together: {made} conversions in {ended - began:.1f} s")
    return (ended - began) / made[0]


def together(station):
    """Without the drop-in; with it; without one thermometer, then without all; without the rule; with a shorted bus."""
    since = station.mark()
    configure(station, "convert_together: yes")
    restart(station)
    station.wait(INHIBIT, since, "restarted")
    wait_for_readings(station, dict.fromkeys(PARTS, "no permission"), "without the drop-in none is read")
    expect(station.levels(since) == [INHIBIT], "and no permit is given")
    said = check_here(station)
    expect(f"{DROP_INS} has no drop-in" in said, f"check --here says so: {said}")
    _, _, alone_before = counted(station)
    drop_in(station)
    restart(station)
    station.wait(PERMIT, since, "with the drop-in")
    at_12_bits = {"heatsink": 30.187, "ambient": 21.75, "shed": -10.25}  # millidegrees, as the kernel cuts them
    wait_for_readings(station, at_12_bits, "all are read")
    round_s = rounds(station)
    expect(CONVERSION_S <= round_s < 2 * CONVERSION_S, f"a round of three takes one conversion: {round_s:.2f} s")

    # Its folder stays, and the kernel sees nothing of it: the search is stopped.
    since = station.mark()
    station.tell(f"echo 0 > {MASTER}/w1_master_search; echo 0 > {WIRE}/a1/present")
    station.wait(INHIBIT, since, "one is taken out")
    wait_for_readings(station, {**at_12_bits, "heatsink": "empty answer"}, "the others are still read")
    # The trigger meets no thermometer, and the kernel says all the same that the conversion is over.
    station.tell(f"echo 0 > {WIRE}/a2/present; echo 0 > {WIRE}/a3/present")
    wait_for_readings(station, dict.fromkeys(PARTS, "input/output error"), "none is there, and the kernel says it has converted")
    station.tell(f"echo -1 > {MASTER}/w1_master_search")
    station.tell(f"while [ -e {TRIGGER} ]; do sleep 0.2; done")
    wait_for_readings(station, dict.fromkeys(PARTS, "absent"), "their folders are gone, and the trigger with them")
    expect(station.levels(since) == [INHIBIT], f"one edge, and it stays: {station.levels(since)}")
    alone = counted(station)[2]
    expect(alone == alone_before, f"of those that are left, none converts alone: {alone_before}, then {alone}")
    between = station.mark()
    station.tell("; ".join(f"echo 1 > {WIRE}/{part}/present" for part in PARTS.values()))
    station.wait(PERMIT, between, "plugged in again, with a new trigger that the rule has given to the group")
    wait_for_readings(station, at_12_bits, "all are read again")
    rounds(station)  # one that the search finds between a trigger and its reading may have converted alone, once

    since = station.mark()
    station.tell(f"chmod g-w {TRIGGER}")
    station.wait(INHIBIT, since, "the trigger can't be written")
    wait_for_readings(station, dict.fromkeys(PARTS, "no permission"), "none is read")
    said = check_here(station)
    expect(f"only root may write {TRIGGER}" in said, f"check --here says so: {said}")
    expect("no drop-in" not in said, f"the drop-in is there: {said}")
    station.succeeds(f"chmod g+w {TRIGGER}; chgrp nogroup {TRIGGER}")
    said = check_here(station)
    expect(f"the group dekeyd may not write {TRIGGER}" in said, f"check --here says so: {said}")
    between = station.mark()
    station.succeeds("udevadm trigger --action=add --subsystem-match=w1")  # what it says is to be done
    wait_for_readings(station, at_12_bits, "and that mends it")
    said = check_here(station)
    expect(f"may convert together, by {TRIGGER}" in said, f"check --here says so: {said}")
    station.wait(PERMIT, between, "mended")

    # For the kernel the conversion takes its time, and the parts answer zeros with a good checksum. Its search would take
    # the zeros for a part, too.
    since = station.mark()
    station.tell(f"echo 0 > {MASTER}/w1_master_search; echo short > {WIRE}/fault")
    station.wait(INHIBIT, since, "shorted")
    wait_for_readings(station, dict.fromkeys(PARTS, "outside what the part can give"), "zeros are no reading")
    between = station.mark()
    station.tell(f"echo none > {WIRE}/fault; echo -1 > {MASTER}/w1_master_search")
    station.wait(PERMIT, between, "not shorted")
    rounds(station)
    restore(station)
    return f"a round of three thermometers takes {round_s:.2f} s by the board's clock"


def check_here(station):
    """It reads no sensors beside a guard that isn't held. It reads each thermometer alone."""
    station.succeeds("dekeyctl hold")
    said = station.run(f"dekeyctl check --here {CONFIGURATION}")[0]
    station.succeeds("dekeyctl release")
    return " ".join(said.split())


def bits(station):
    """Set at the parts; lost by one with its supply; refused by one."""
    since = station.mark()
    configure(station, "convert_together: yes, bits: 10")
    drop_in(station)
    restart(station)
    station.wait(INHIBIT, since, "restarted")
    station.wait(PERMIT, since, "with fewer bits")
    wait_for_readings(station, {"heatsink": 30.0, "ambient": 21.75, "shed": -10.25}, "in steps of a quarter degree")
    expect(bits_of_parts(station) == ["10"] * 3, f"set at the parts: {bits_of_parts(station)}")
    round_s = rounds(station)
    expect(CONVERSION_S / 4 <= round_s < CONVERSION_S, f"a round takes a quarter of the time: {round_s:.2f} s")

    # Back at the 12 bits that it keeps, which the kernel doesn't know: it would wait for a quarter of the conversion.
    since = station.mark()
    station.fault(f"{WIRE}/a1/fault", "reset")
    station.wait(INHIBIT, since, "without its supply in every conversion")
    # And one of those copies that take what is written and forget it; the kernel says that it is set.
    station.fault(f"{WIRE}/a1/fault", "fixed")
    wait_for_readings(station, {"heatsink": "not the device it should be", "ambient": 21.75, "shed": -10.25}, "it can't be set")
    station.tell("sleep 3")
    expect(station.levels(since) == [INHIBIT], f"no permit while it converts by other bits: {station.levels(since)}")
    expect(bits_of_parts(station) == ["12", "10", "10"], f"it is at 12 bits: {bits_of_parts(station)}")
    between = station.mark()
    station.fault(f"{WIRE}/a1/fault", "none")
    station.wait(PERMIT, between, "it can be set again")
    expect(bits_of_parts(station) == ["10"] * 3, f"set anew: {bits_of_parts(station)}")
    restore(station)
    return f"a round of three thermometers takes {round_s:.2f} s by the board's clock"


def bits_of_parts(station):
    return station.succeeds("cat " + " ".join(f"{WIRE}/{part}/bits" for part in PARTS.values())).split()
