#!/usr/bin/env python3
"""The systemd units: accepted by systemd itself, as closed as promised, and saying what the safe stop depends on.

Usage: units_test.py SYSTEMD-FOLDER DEKEYD DEKEYD-INHIBIT DEKEYD-TELEMETRY DEKEYCTL
"""
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

LARGEST_EXPOSURE = {"dekeyd": 1.1, "dekeyd-telemetry": 1.8, "dekeyd-alarm": 1.8}  # of systemd-analyze's 10; DEVELOPERS.md explains what remains
failures = []


def expect(true, what):
    print(("ok      " if true else "FAILED  ") + what)
    if not true:
        failures.append(what)


def directives(text):
    """Each 'Key=value' of a unit in order, comments left out."""
    return [tuple(line.split("=", 1)) for line in text.splitlines() if re.match(r"[A-Za-z]+=", line)]


def all_of(unit, key):
    return [value for name, value in unit if name == key]


def last_of(unit, key):
    return (all_of(unit, key) or [None])[-1]


def seconds(text):
    match = re.fullmatch(r"(\d+)s?", text or "")
    return int(match.group(1)) if match else None


def run(*command):
    done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    return done.returncode, done.stdout + done.stderr


def check_with_systemd(folder, name, programs):
    text = (folder / name).read_text()
    largest = LARGEST_EXPOSURE[re.match(r"[a-z-]+", name)[0]]
    for installed, built in programs.items():
        text = text.replace(f"{installed} ", f"{built} ")
    with tempfile.TemporaryDirectory(prefix="dekeyd-units-") as scratch:
        copy = pathlib.Path(scratch) / name.replace("@.", "@hilltop.")
        copy.write_text(text)
        code, output = run("systemd-analyze", "verify", "--man=no", str(copy))
        expect(code == 0 and output.strip() == "", f"{name}: systemd-analyze verify finds nothing {output.strip()}")
        code, output = run("systemd-analyze", "security", "--offline=true", "--no-pager",
                           f"--threshold={round(largest * 10)}", str(copy))
        print("\n".join(line for line in output.splitlines() if "✗" in line or "exposure" in line))
        found = re.search(r"exposure level for \S+: ([0-9.]+)", output)
        figure = float(found.group(1)) if found else None
        expect(figure is not None and figure <= largest, f"{name}: exposure {figure}, at most {largest}")


def check_promises(folder, name, run_folder):
    unit = directives((folder / name).read_text())
    expect(last_of(unit, "Type") == "notify", f"{name}: ready only when the daemon says so")
    expect(last_of(unit, "Restart") == "always" and last_of(unit, "StartLimitIntervalSec") == "0",
           f"{name}: restarted for ever")
    expect((seconds(last_of(unit, "RestartSec")) or 0) >= 5, f"{name}: with a pause that a refused configuration can bear")
    expect("sleep.target" in all_of(unit, "Conflicts") and "sleep.target" in all_of(unit, "Before"),
           f"{name}: ends, inhibited, before the machine sleeps")
    expect(1 <= (seconds(last_of(unit, "WatchdogSec")) or 0) <= 5, f"{name}: a short watchdog")
    expect((seconds(last_of(unit, "TimeoutStopSec")) or 99) <= 10 and (seconds(last_of(unit, "TimeoutAbortSec")) or 99) <= 5,
           f"{name}: killed soon when it hangs")
    expect(last_of(unit, "LimitCORE") == "0", f"{name}: no core dump holds the line")
    hooks = all_of(unit, "ExecStopPost")
    files = [re.fullmatch(rf"-/usr/sbin/dekeyd-inhibit {re.escape(run_folder)}/([a-z-]+)", hook) for hook in hooks]
    expect(all(files) and [match[1] for match in files][:1] == ["line"] and "contactor" in [match[1] for match in files],
           f"{name}: the stop hook inhibits the line first, and each other one whatever happened to it")
    expect(last_of(unit, "RuntimeDirectoryPreserve") == "yes" and "/run/" + last_of(unit, "RuntimeDirectory") == run_folder,
           f"{name}: the stop hook's files outlive the daemon, in the daemon's own folder")
    expect(all_of(unit, "DeviceAllow") == ["char-gpiochip rw"] and last_of(unit, "DevicePolicy") == "closed",
           f"{name}: GPIO chips and no other device")
    expect("gpio" in (last_of(unit, "SupplementaryGroups") or "").split(), f"{name}: may open them")
    expect(not any("network" in value for key in ("After", "Wants", "Requires") for value in all_of(unit, key)),
           f"{name}: waits for no network")
    configuration = (last_of(unit, "ExecStart") or "").split("--config ")[-1]
    expect(last_of(unit, "ConditionPathExists") == configuration, f"{name}: rests while there is no {configuration}")


def check_network(folder, name):
    """What keeps a guard from the network, and from a look at users that hides who speaks."""
    unit = directives((folder / name).read_text())
    expect(last_of(unit, "PrivateNetwork") == "yes" and last_of(unit, "RestrictAddressFamilies") == "AF_UNIX",
           f"{name}: no network")
    expect("dekeyd-telemetry" in (last_of(unit, "SupplementaryGroups") or "").split() and last_of(unit, "RuntimeDirectoryMode") == "0751",
           f"{name}: may give the telemetry its socket, and lets it pass there")
    expect(all_of(unit, "SystemCallFilter")[-1:] == ["@chown"], f"{name}: and the filter of calls leaves it the one for that")
    expect(last_of(unit, "PrivateUsers") in (None, "no"),
           f"{name}: sees the users who speak at its socket (user_namespaces(7): else all are one)")


def check_telemetry(folder, name):
    unit = directives((folder / name).read_text())
    expect(last_of(unit, "User") == "dekeyd-telemetry" and last_of(unit, "SupplementaryGroups") is None,
           f"{name}: a user of its own, in none of the guard's groups")
    expect("-/var/lib/dekeyd" in all_of(unit, "InaccessiblePaths") and last_of(unit, "PrivateDevices") == "yes"
           and last_of(unit, "RestrictRealtime") == "yes" and not all_of(unit, "DeviceAllow"),
           f"{name}: neither the guard's state, nor a device, nor real time")
    expect(int(last_of(unit, "OOMScoreAdjust") or 0) > 0 and last_of(unit, "MemoryMax") is not None,
           f"{name}: dies before the guard when memory is short")
    expect(last_of(unit, "WatchdogSec") is not None and last_of(unit, "Restart") == "on-failure", f"{name}: comes back by itself")
    expect(not any(last_of(unit, key) for key in ("Requires", "BindsTo", "PartOf", "ExecStopPost")),
           f"{name}: neither holds the guard nor is held by it")


def check_alarm(folder, name):
    unit = directives((folder / name).read_text())
    expect(last_of(unit, "User") == "dekeyd-alarm" and last_of(unit, "SupplementaryGroups") is None,
           f"{name}: a user of its own, in none of the guard's groups")
    expect("-/var/lib/dekeyd" in (last_of(unit, "InaccessiblePaths") or "").split() and last_of(unit, "PrivateDevices") == "yes"
           and not all_of(unit, "DeviceAllow") and last_of(unit, "NoNewPrivileges") == "yes",
           f"{name}: neither the guard's state, nor a device, nor new privileges")
    expect(last_of(unit, "Restart") == "always" and last_of(unit, "StartLimitIntervalSec") == "0", f"{name}: restarted for ever")
    expect(not any(last_of(unit, key) for key in ("Requires", "BindsTo", "PartOf", "ExecStopPost")),
           f"{name}: neither holds the guard nor is held by it")
    start, state = last_of(unit, "ExecStart") or "", last_of(unit, "StateDirectory")
    expect(f"--resume %S/{state}/" in start and start.endswith(f"--run {last_of(unit, 'ConditionFileIsExecutable')}"),
           f"{name}: keeps its place in its own folder, and rests while there is no such command")
    for guard in ("dekeyd.service", "dekeyd@.service"):
        groups = last_of(directives((folder / guard).read_text()), "SupplementaryGroups") or ""
        expect("dekeyd-alarm" in groups.split(), f"{guard}: may give the alarms their socket")


def check_credentials(folder):
    """systemd.exec(5), LoadCredential=: a file that can't be loaded stops every command of the unit, the stop hook too,
    unless SetCredential= gives the same credential a value to fall back on."""
    for path in sorted([*folder.glob("*.service"), *folder.glob("drop-ins/*.conf")]):
        unit = directives(path.read_text())
        loaded = {value.split(":")[0] for key in ("LoadCredential", "LoadCredentialEncrypted") for value in all_of(unit, key)}
        # systemd 252 ignores one with an empty value, says `systemd-analyze verify`.
        fallen_back_on = {value.split(":")[0] for value in all_of(unit, "SetCredential") if not value.endswith(":")}
        expect(loaded <= fallen_back_on, f"{path.name}: an absent credential stops neither the start nor the stop hook")


def check_drop_ins(folder, programs):
    """Each is accepted on top of the unit, or as a part of systemd's own configuration."""
    for path in sorted(folder.glob("drop-ins/*.conf")):
        sections = re.findall(r"^\[(\w+)\]", path.read_text(), re.M)
        with tempfile.TemporaryDirectory(prefix="dekeyd-units-") as scratch:
            if sections == ["Manager"]:
                keys = {key for key, _ in directives(path.read_text())}
                expect(keys <= {"RuntimeWatchdogSec", "RebootWatchdogSec"}, f"{path.name}: keys of systemd-system.conf(5)")
                continue
            service = {"broker": "dekeyd-telemetry.service", "alarm": "dekeyd-alarm@.service"}.get(path.name.split("-")[0], "dekeyd.service")
            text = (folder / service).read_text()
            service = service.replace("@.", "@hilltop.")
            for installed, built in programs.items():
                text = text.replace(f"{installed} ", f"{built} ")
            unit = pathlib.Path(scratch) / service
            unit.write_text(text)
            (unit.parent / f"{service}.d").mkdir()
            (unit.parent / f"{service}.d" / path.name).write_text(path.read_text())
            code, output = run("systemd-analyze", "verify", "--man=no", str(unit))
            expect(sections == ["Service"] and code == 0 and output.strip() == "",
                   f"{path.name}: systemd-analyze verify finds nothing {output.strip()}")
            (unit.parent / f"{service}.d" / path.name).write_text(path.read_text() + "NoSuchKey=1\n")
            code, output = run("systemd-analyze", "verify", "--man=no", str(unit))
            expect("NoSuchKey" in output, f"{path.name}: and it was read")


def check_alike(folder):
    """The template is the plain unit with the instance's name put in, and nothing else."""
    def plain(name):
        wanted = [d for d in directives((folder / name).read_text()) if d[0] != "Description"]
        return [(key, value.replace("/%i.yaml", "/dekeyd.yaml").replace("/%i", "")) for key, value in wanted]
    for name in ("dekeyd", "dekeyd-telemetry"):
        expect([(key, value.replace("dekeyd@%i.service", "dekeyd.service")) for key, value in plain(f"{name}@.service")] ==
               plain(f"{name}.service"), f"{name}@.service differs from {name}.service by its name alone")


def check_users(folder):
    with tempfile.TemporaryDirectory(prefix="dekeyd-users-") as root:
        (pathlib.Path(root) / "etc").mkdir()
        code, output = run("systemd-sysusers", f"--root={root}", str((folder / "sysusers.conf").resolve()))
        etc = pathlib.Path(root) / "etc"
        users = (etc / "passwd").read_text() if (etc / "passwd").exists() else ""
        groups = (etc / "group").read_text() if (etc / "group").exists() else ""
        expect(code == 0 and re.search(r"^dekeyd:x:\d+:\d+:", users, re.M) is not None, f"sysusers: the user {output.strip()}")
        expect(re.search(r"^gpio:x:\d+:.*dekeyd", groups, re.M) is not None, "sysusers: in the group gpio")
        expect(re.search(r"^dekeyd-telemetry:x:\d+:\d+:", users, re.M) is not None
               and re.search(r"^(gpio|dekeyd):.*dekeyd-telemetry", groups, re.M) is None, "sysusers: the telemetry's, in no group of the guard's")
        expect(re.search(r"^dekeyd-alarm:x:\d+:\d+:", users, re.M) is not None
               and re.search(r"^(gpio|dekeyd):.*dekeyd-alarm", groups, re.M) is None, "sysusers: the alarms', in no group of the guard's")
        code, output = run("systemd-tmpfiles", "--create", f"--root={root}", str((folder / "tmpfiles.conf").resolve()))
        modes = {path: (pathlib.Path(root) / path).stat().st_mode & 0o777
                 for path in ("run/dekeyd", "var/lib/dekeyd") if (pathlib.Path(root) / path).is_dir()}
        expect(modes == {"run/dekeyd": 0o751, "var/lib/dekeyd": 0o750}, f"tmpfiles: the folders {output.strip()}")


def main():
    folder, dekeyd, inhibit, telemetry, ctl = (pathlib.Path(argument).resolve() for argument in sys.argv[1:6])
    for tool in ("systemd-analyze", "systemd-sysusers", "systemd-tmpfiles"):
        if shutil.which(tool) is None:
            print(f"skipped: {tool} is not installed (Debian's package systemd has it)")
            return 77
    programs = {"/usr/sbin/dekeyd": dekeyd, "/usr/sbin/dekeyd-inhibit": inhibit, "/usr/sbin/dekeyd-telemetry": telemetry,
                "/usr/bin/dekeyctl": ctl}
    for name, run_folder in (("dekeyd.service", "/run/dekeyd"), ("dekeyd@.service", "/run/dekeyd/%i")):
        check_promises(folder, name, run_folder)
        check_network(folder, name)
        check_with_systemd(folder, name, programs)
    for name in ("dekeyd-telemetry.service", "dekeyd-telemetry@.service"):
        check_telemetry(folder, name)
        check_with_systemd(folder, name, programs)
    check_alarm(folder, "dekeyd-alarm@.service")
    check_with_systemd(folder, "dekeyd-alarm@.service", programs)
    check_alike(folder)
    check_credentials(folder)
    check_drop_ins(folder, programs)
    check_users(folder)
    print(f"{len(failures)} failures")
    return 1 if failures else 0


sys.exit(main())
