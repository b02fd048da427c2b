#!/usr/bin/env python3
"""The Debian package in a clean root: installed, upgraded, downgraded, removed, installed again, purged; and when a guard
is stopped and started, with a systemctl that only writes down what it is asked.

Usage: install_test.py SOURCE-FOLDER PACKAGE-FOLDER CACHE-FOLDER
Exit code 77, with the reason, where no root can be made; with DEKEYD_PACKAGE=required that is a failure.
"""
import os
import pathlib
import re
import shutil
import stat
import sys
import tempfile

import debian_root
from debian_root import Root, Unavailable, run

MARK = "# an operator's own line\n"
failures = []


def expect(true, what):
    print(("ok      " if true else "FAILED  ") + what, flush=True)
    if not true:
        failures.append(what)


def with_version(package, version, folder):
    """The same files under another version, which upgrades and downgrades need."""
    tree = folder / f"tree-{version}"
    run("dpkg-deb", "-R", package, tree)
    control = tree / "DEBIAN/control"
    control.write_text(re.sub(r"^Version: .*$", f"Version: {version}", control.read_text(), flags=re.M))
    made = folder / f"dekeyd_{version}.deb"
    code, output = run("dpkg-deb", "--root-owner-group", "-Zgzip", "-z1", "-b", tree, made)
    if code != 0:
        raise RuntimeError(output)
    shutil.rmtree(tree)
    return made


def files_of(root):
    """All but what a package manager writes itself."""
    skipped = ("var/lib/dpkg", "var/log", "var/cache", "var/lib/systemd", "run/systemd", "package")
    found = set()
    for folder, folders, names in os.walk(root.path):
        inside = os.path.relpath(folder, root.path)
        folders[:] = [name for name in folders if os.path.normpath(f"{inside}/{name}") not in skipped]
        found |= {os.path.normpath(f"{inside}/{name}") for name in names + folders}
    return found - set(skipped)


def owner(root, path):
    """As the root's own users know it: 'mode user group'."""
    code, output = root.run("stat", "-c", "%a %U %G", path)
    return output.strip() if code == 0 else "absent"


def install(root, package):
    shutil.copy(package, root / "package")
    return root.run("dpkg", "-i", f"/package/{pathlib.Path(package).name}")


def is_enabled(root):
    wants = root / "etc/systemd/system/multi-user.target.wants"
    return (wants / "dekeyd.service").is_symlink() and (wants / "dekeyd-telemetry.service").is_symlink()


def example(root):
    return (root / "usr/share/doc/dekeyd/examples/dekeyd.yaml").read_text()


def first_install(root, package, version):
    code, output = install(root, package)
    expect(code == 0, f"installs {output if code else ''}")
    expect("not started: there is no /etc/dekeyd/dekeyd.yaml" in output and "dekeyctl check" in output,
           "says that the guard is not started, why, and what to do")
    expect(is_enabled(root), "the service is enabled")
    expect(owner(root, "/var/lib/dekeyd") == "750 dekeyd dekeyd" and owner(root, "/run/dekeyd") == "751 dekeyd dekeyd"
           and owner(root, "/etc/dekeyd") == "755 root root", "the folders and their owners")
    code, output = root.run("id", "dekeyd")
    expect(code == 0 and "(gpio)" in output, f"the user is in the group gpio: {output.strip()}")
    code, output = root.run("id", "dekeyd-telemetry")
    expect(code == 0 and "gpio" not in output and "(dekeyd)" not in output,
           f"the telemetry's user is in none of the guard's groups: {output.strip()}")
    code, output = root.run("id", "dekeyd-alarm")
    expect(code == 0 and "gpio" not in output and "(dekeyd)" not in output,
           f"the alarms' user is in none of the guard's groups: {output.strip()}")
    for program in ("dekeyd", "dekeyctl", "dekeyd-inhibit", "dekeyd-telemetry"):
        code, output = root.run(program, "--version")
        expect(code == 0 and output.strip() == f"{program} {version.rsplit('~deb')[0]}", f"runs here: {output.strip()}")
    code, output = root.run("dekeyctl", "check", "/usr/share/doc/dekeyd/examples/dekeyd.yaml")
    expect(code == 0, "the example passes its check")
    documents = root / "usr/share/doc/dekeyd"
    links = re.findall(r"\]\(([^)#:]+)\)", (documents / "README.md").read_text())
    lost = [link for link in links if not (root / link if link.startswith("/") else documents / link).exists()]
    expect(links != [] and lost == [], f"README's links lead somewhere where it is installed {lost}")
    for kept in sorted((source_folder / "tests/configuration/kept").iterdir()):
        shutil.copy(kept, root / "package")
        code, output = root.run("dekeyctl", "check", f"/package/{kept.name}")
        expect(code == 0, f"a configuration of an earlier time still passes: {kept.name} {output if code else ''}")
    code, output = root.run("systemd-analyze", "verify", "--man=no", "dekeyd.service", "dekeyd@hilltop.service",
                            "dekeyd-telemetry.service", "dekeyd-telemetry@hilltop.service", "dekeyd-alarm@mail.service")
    expect(code == 0 and "dekeyd" not in output, f"systemd accepts the units where they are installed {output.strip()}")
    wrong = [str(path) for path in (root / "usr/bin", root / "usr/sbin") for path in path.glob("dekey*")
             if path.stat().st_uid != 0 or stat.S_IMODE(path.stat().st_mode) != 0o755]
    expect(wrong == [], f"the programs are root's {wrong}")


def life(root, package, version, older, newer):
    before = files_of(root)
    first_install(root, package, version)
    configuration, state = root / "etc/dekeyd/dekeyd.yaml", root / "var/lib/dekeyd/state"
    configuration.write_text(example(root) + MARK)
    state.write_text("latched\n")

    code, output = install(root, newer)
    expect(code == 0 and "not started" not in output, f"upgrades, without a word about a configuration that passes {output if code else ''}")
    expect(configuration.read_text().endswith(MARK) and state.read_text() == "latched\n", "keeps configuration and state")
    root.run("systemctl", "disable", "dekeyd", "dekeyd-telemetry")
    code, output = install(root, older)
    expect(code == 0, f"downgrades {output if code else ''}")
    expect(not is_enabled(root), "a service that an operator has disabled stays so")
    root.run("systemctl", "enable", "dekeyd", "dekeyd-telemetry")

    code, output = root.run("dpkg", "-r", "dekeyd")
    expect(code == 0 and not (root / "usr/sbin/dekeyd").exists(), f"removes {output if code else ''}")
    expect(configuration.exists() and state.exists(), "which leaves configuration and state")
    configuration.write_text(example_text.replace("above: 70 degC", "above: 70"))
    code, output = install(root, package)
    expect(code == 0 and "/etc/dekeyd/dekeyd.yaml does not pass" in output and is_enabled(root),
           f"installs again, and says that this configuration does not pass {output if code else ''}")

    code, output = root.run("dpkg", "-P", "dekeyd")
    expect(code == 0, f"purges {output if code else ''}")
    users = {"etc/passwd-", "etc/group-", "etc/shadow-", "etc/gshadow-", "etc/.pwd.lock", "etc/subuid-", "etc/subgid-"}
    left = sorted(files_of(root) - before - users)
    expect(left == [], f"which leaves nothing behind {left}")
    expect(root.run("id", "dekeyd")[0] == 0, "but the user, whose number nobody else may get")


def without_sysusers(root, package):
    (root / "usr/bin/systemd-sysusers").unlink()
    code, output = install(root, package)
    expect(code == 0, f"without systemd-sysusers: installs {output if code else ''}")
    code, output = root.run("id", "dekeyd")
    expect(code == 0 and "(gpio)" in output and owner(root, "/var/lib/dekeyd") == "750 dekeyd dekeyd",
           f"without systemd-sysusers: adduser makes the user {output.strip()}")
    expect(root.run("id", "dekeyd-telemetry")[0] == 0, "without systemd-sysusers: and the telemetry's")
    expect(root.run("id", "dekeyd-alarm")[0] == 0, "without systemd-sysusers: and the alarms'")
    code, output = root.run("getent", "passwd", "dekeyd")
    expect("nologin" in output, f"without systemd-sysusers: who can't log in {output.strip()}")


PRETENDED = """#!/bin/sh
echo "$(basename "$0") $*" >>/asked
case "$*" in *list-units*) cat /running ;; esac
"""


def when_it_runs(root, package, older, newer):
    """Under a systemd that is only pretended: which guards are stopped and started, and in which order."""
    (root / "run/systemd/system").mkdir(parents=True)
    for name in ("systemctl", "deb-systemd-invoke"):
        (root / f"usr/local/bin/{name}").write_text(PRETENDED)
        (root / f"usr/local/bin/{name}").chmod(0o755)
    running, asked = root / "running", root / "asked"

    def asks(units, act):
        running.write_text("".join(f"{unit} loaded active running a guard\n" for unit in units))
        asked.write_text("")
        code, output = act()
        words = [line for line in asked.read_text().splitlines() if re.search(r" (start|stop|restart) ", line)]
        telemetry = [line.replace("-telemetry", "") for line in words if "start dekeyd-telemetry" in line]
        words = [line for line in words if "dekeyd-telemetry" not in line]
        expect(telemetry == [line for line in words if " start " in line], f"each with its telemetry, and none without {telemetry}")
        return code, output, words

    code, output, words = asks([], lambda: install(root, older))
    expect(code == 0 and words == [], f"no configuration: nothing is started {words}")
    root.run("dpkg", "-r", "dekeyd")
    (root / "etc/dekeyd").mkdir(exist_ok=True)
    (root / "etc/dekeyd/dekeyd.yaml").write_text(example_text)
    (root / "etc/dekeyd/hilltop.yaml").write_text(example_text)
    code, output, words = asks([], lambda: install(root, older))
    expect(words == ["deb-systemd-invoke start dekeyd.service"] and "latched" in output,
           f"a configuration that passes: started, with a word about the reset {words}")
    both = ["dekeyd.service", "dekeyd@hilltop.service"]
    code, output, words = asks(both, lambda: install(root, newer))
    expect(words == [f"systemctl stop {unit}" for unit in both] + [f"deb-systemd-invoke start {unit}" for unit in both],
           f"upgrade: what ran is stopped first and started last {words}")
    code, output, words = asks([], lambda: install(root, package))
    expect(words == [], f"upgrade: a guard that an operator has stopped stays stopped {words}")
    (root / "etc/dekeyd/hilltop.yaml").write_text("dekeyd: 1\n")
    code, output, words = asks(both, lambda: install(root, newer))
    expect(code == 0 and words[2:] == ["deb-systemd-invoke start dekeyd.service"]
           and "dekeyd@hilltop.service is not started" in output,
           f"upgrade: one whose configuration no longer passes is not started, and it is said {words}")
    (root / "etc/dekeyd/hilltop.yaml").write_text(re.sub(r"^dekeyd: 1$", "dekeyd: 2", example_text, flags=re.M))
    code, output, words = asks(both, lambda: install(root, older))
    refusal = root.run("dekeyctl", "check", "/etc/dekeyd/hilltop.yaml")[1]
    expect(code == 0 and words[2:] == ["deb-systemd-invoke start dekeyd.service"] and "see 'dekeyctl check" in output
           and "version 2 of the format; this dekeyd knows version 1" in refusal,
           f"downgrade: a configuration that only the newer one knows is not started, and it is said {words}")
    code, output, words = asks(["dekeyd.service"], lambda: root.run("dpkg", "-r", "dekeyd"))
    expect(code == 0 and words == ["systemctl stop dekeyd.service", "systemctl stop dekeyd-alarm@*.service"]
           and "the line is at inhibit" in output, f"removal stops the guard, and the alarms that would tell of it for ever {words}")


def lintian(source, package):
    if shutil.which("lintian") is None:
        raise Unavailable("lintian is not installed; tools/packages package installs it")
    code, output = run("lintian", "--allow-root", "--fail-on", "error,warning", "--tag-display-limit", "0", package)
    expect(code == 0, f"lintian finds neither error nor warning that is not explained\n{output.strip()}")


def native_package(folder):
    arch = run("dpkg", "--print-architecture")[1].strip()
    found = sorted(folder.glob(f"dekeyd_*_{arch}.deb"), key=lambda path: path.stat().st_mtime)
    if not found:
        raise RuntimeError(f"no package for {arch} in {folder}; tools/package builds it")
    return found[-1]


def scenario(source, packages, cache):
    package = native_package(packages)
    version, depends = (run("dpkg-deb", "-f", package, field)[1].strip() for field in ("Version", "Depends"))
    lintian(source, package)
    names = [re.match(r"[a-z0-9.+-]+", part.strip())[0] for part in depends.split(",")]
    release = debian_root.own_release()
    clean = debian_root.clean_root(cache, release, [*names, "systemd"])
    with tempfile.TemporaryDirectory(prefix="roots-", dir=cache) as scratch:
        folder = pathlib.Path(scratch)
        older, newer = with_version(package, "0.0.1", folder), with_version(package, "99", folder)
        for number, part in enumerate((lambda root: life(root, package, version, older, newer),
                                       lambda root: without_sysusers(root, package),
                                       lambda root: when_it_runs(root, package, older, newer))):
            root = Root(clean, folder / str(number))
            (root / "package").mkdir()
            part(root)
            shutil.rmtree(root.path)


source_folder, package_folder, cache_folder = (pathlib.Path(argument).resolve() for argument in sys.argv[1:4])
example_text = (source_folder / "config/dekeyd.yaml").read_text()
try:
    scenario(source_folder, package_folder, cache_folder)
except Unavailable as reason:
    required = os.environ.get("DEKEYD_PACKAGE") == "required"
    print(f"{'FAILED' if required else 'skipped'}: no clean root: {reason}")
    sys.exit(1 if required else 77)
print(f"{len(failures)} failures")
sys.exit(1 if failures else 0)
