"""What the daemon shows to the outside: no socket that listens but the local one, no secret anywhere."""
import os
import pathlib
import re
import socket

from day import Day, figure, free_port, main

SECRET = "correct-horse-7f3a"


class Outlook(Day):
    def sockets(self, process):
        """Inodes of the sockets of a process."""
        found = set()
        for task in os.listdir(f"/proc/{process.pid}/task"):  # the guard has a table of its own
            folder = pathlib.Path(f"/proc/{process.pid}/task/{task}/fd")
            for name in os.listdir(folder):
                try:
                    if match := re.fullmatch(r"socket:\[(\d+)\]", os.readlink(folder / name)):
                        found.add(match[1])
                except FileNotFoundError:
                    pass
        return found

    def test_listens_nowhere_but_on_its_own_socket(self):
        port = free_port()
        rig = self.rig(extra=f"mqtt: {{host: 127.0.0.1, port: {port}}}\n")
        with socket.socket() as broker:
            broker.bind(("127.0.0.1", port))
            broker.listen(1)
            rig.start()
            rig.wait_permit()
            broker.settimeout(30)
            connection, _ = broker.accept()
            guard, telemetry = self.outlook(rig.daemon), self.outlook(rig.telemetry)
            connection.close()
        sockets = [str(rig.run / name) for name in ("control", "observe", "telemetry")]
        self.assertEqual((guard[0], guard[1], sorted(guard[2])), ([], [], sockets), "the guard has its own, and no network at all")
        listening, others, unix = telemetry
        self.assertEqual((listening, unix), ([], []), "the telemetry listens nowhere")
        self.assertEqual(len(others), 1, "and has one connection, to the broker")
        for path in sockets:
            self.assertEqual(pathlib.Path(path).stat().st_mode & 0o007, 0, "others may not connect")
        figure(f"the guard listens on {sockets} and has no network socket; the telemetry has one connection, and listens nowhere")

    def outlook(self, process):
        """Where it listens on the network, its other network sockets, and its listening sockets on this machine."""
        own = self.sockets(process)
        net = pathlib.Path(f"/proc/{process.pid}/net")
        listening, others = [], []
        for kind in ("tcp", "tcp6"):
            for line in (net / kind).read_text().splitlines()[1:]:
                words = line.split()
                if words[9] in own:
                    (listening if words[3] == "0A" else others).append((kind, words[1], words[2]))
        for kind in ("udp", "udp6", "raw", "raw6", "packet", "netlink"):
            path = net / kind
            for line in path.read_text().splitlines()[1:] if path.exists() else []:
                if own & set(line.split()):
                    listening.append((kind, line.split()[1]))
        unix = []
        for line in (net / "unix").read_text().splitlines()[1:]:
            words = line.split()
            if words[6] in own and int(words[3], 16) & 0x10000:  # __SO_ACCEPTCON
                unix.append(words[7] if len(words) > 7 else "")
        return listening, others, unix

    def test_the_password_is_nowhere(self):
        """Not in the log, the answers, the state, the command line, the environment; and there is no core to read."""
        port = free_port()
        rig = self.rig()
        file = rig.top / "password"
        file.write_text(SECRET + "\n")
        file.chmod(0o600)
        rig.configuration.write_text(rig.configuration.read_text() +
                                     f"mqtt: {{host: 127.0.0.1, port: {port}, user: hilltop, password_file: {file}}}\n")
        with socket.socket() as broker:
            broker.bind(("127.0.0.1", port))
            broker.listen(4)
            rig.start()
            broker.settimeout(30)
            connection, _ = broker.accept()
            connection.settimeout(30)
            self.assertIn(SECRET.encode(), connection.recv(4096))  # that it is used at all
            connection.sendall(b"\x20\x02\x00\x05")  # not authorised
            connection.close()
            rig.wait_permit()
            places = {"the status": str(rig.ask(ask="status")).encode()}
            for name, program in (("the guard", rig.daemon), ("the telemetry", rig.telemetry)):
                process = pathlib.Path(f"/proc/{program.pid}")
                places[f"{name}'s command line"] = (process / "cmdline").read_bytes()
                places[f"{name}'s environment"] = (process / "environ").read_bytes()
                core = re.search(r"Max core file size\s+(\S+)\s+(\S+)", (process / "limits").read_text())
                self.assertEqual(core.groups(), ("0", "0"))
            rig.stop()
        places["the log"] = rig.log().encode()
        for folder in (rig.state, rig.run, rig.top / "state-telemetry"):
            for path in folder.rglob("*"):
                if path.is_file():
                    places[str(path.name)] = path.read_bytes()
        for place, content in places.items():
            self.assertNotIn(SECRET.encode(), content, f"the password is in {place}")
        figure(f"the password is in none of {len(places)} places; no core is ever written")


main()
