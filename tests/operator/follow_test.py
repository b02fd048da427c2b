"""`dekeyctl follow` against the real guard: 1,000 events to a command that is killed at random, follow itself killed at
random, a guard that goes and comes, a storage that refuses, and the two example commands."""
import http.server
import json
import os
import pathlib
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest
import zlib

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "integration"))
import station  # noqa: E402
from station import wait_for  # noqa: E402

DEKEYCTL = os.environ["DEKEYCTL"]
EXAMPLES = pathlib.Path(__file__).resolve().parents[2] / "config/examples/alarm"
# A kill takes nothing from a file in memory, and there is no power cut here.
if os.path.isdir("/dev/shm") and not os.statvfs("/dev/shm").f_flag & os.ST_NOEXEC:
    tempfile.tempdir = "/dev/shm"

EVENTS = 1000
FEWER_EVENTS = 240
KILLS_OF_COMMAND = 20
KILLS_OF_FOLLOW = 8

# Writes down that it has begun, in one of 25 cases waits a little, and as its last act writes down that it has done.
COMMAND = """#!/bin/sh
read -r line
echo "$$ $DEKEYD_EVENT_ID" >>begun
case $$ in *[1357]7) sleep 0.1 ;; esac
printf '%s\\n' "$DEKEYD_EVENT_ID" >>done
"""


class Follow:
    """The program, with what it prints in files."""

    def __init__(self, place, *arguments, folder=None):
        self.folder = pathlib.Path(folder or place.top)
        self.out, self.err = self.folder / "follow.out", self.folder / "follow.err"
        with open(self.out, "ab") as out, open(self.err, "ab") as err:
            self.process = subprocess.Popen([DEKEYCTL, "--run", str(place.run), "follow", *map(str, arguments)], cwd=self.folder,
                                            stdin=subprocess.DEVNULL, stdout=out, stderr=err,
                                            env={**os.environ, "LC_ALL": "C.UTF-8"})

    def lines(self):
        return [line for line in self.out.read_text().splitlines(keepends=False)]

    def events(self):
        return [json.loads(line) for line in self.lines()]

    def said(self):
        return self.err.read_text()

    def end(self, number=signal.SIGTERM):
        self.process.send_signal(number)
        return self.process.wait(station.CAP_S)


def words(path):
    return path.read_text().split("\n")[:-1] if path.exists() else []


class FollowTest(station.StationTest):
    def follow(self, place, *arguments, **keywords):
        follow = Follow(place, *arguments, **keywords)

        def end():
            follow.process.kill()
            follow.process.wait()

        self.addCleanup(end)
        return follow

    def followed_from_now(self, place, *arguments, **keywords):
        """One that has begun: an event later is its."""
        kept = place.top / "place"
        follow = self.follow(place, "--resume", kept, *arguments, **keywords)
        wait_for(kept.exists, "its place is kept")
        return follow

    def command(self, place, text, name="tell"):
        path = place.top / name
        path.write_text(text)
        path.chmod(0o755)
        return path

    def refuse(self, place, count):
        """So many events `refused`: releases where nothing is held. Four clients, for each may ask 50 times a second."""
        def ask(number):
            with place.client() as client:
                for _ in range(number):
                    answer = client.ask({"ask": "release"})
                    while "too many" in answer.get("error", ""):
                        time.sleep(0.05)
                        answer = client.ask({"ask": "release"})
        threads = [threading.Thread(target=ask, args=(count // 4,)) for _ in range(4)]
        for thread in threads:
            thread.start()
        return threads

    def stored(self, place):
        """Ids of what the journal has of warnings and above, in order."""
        found = []
        for segment in sorted((place.state / "journal").glob("events-*"), key=lambda path: int(path.name.split("-")[1])):
            for line in segment.read_bytes().splitlines()[1:]:
                event = json.loads(line.split(b" ", 2)[2])
                if event["severity"] in ("warning", "alarm"):
                    found.append(f"{event['epoch']}-{event['number']}")
        return found


class Printed(FollowTest):
    def test_each_event_once_in_order_from_its_severity_on(self):
        place = self.station().start_permitted()
        follow = self.followed_from_now(place, "--json")
        place.ask({"ask": "hold", "reason": "on the mast"})
        place.ask({"ask": "release"})
        place.wait_permit()
        wait_for(lambda: [e["kind"] for e in follow.events()][-1:] == ["permitted"], "the permit is told")
        events = follow.events()
        self.assertIn("on the mast", next(e for e in events if e["kind"] == "held")["text"])
        numbers = [event["number"] for event in events]
        self.assertEqual(numbers, list(range(numbers[0], numbers[0] + len(numbers))))
        self.assertEqual(follow.end(), 0)
        # From there on, as sentences, and only warnings.
        place.ask({"ask": "hold"})
        place.ask({"ask": "release"})
        follow.out.unlink()
        follow = self.follow(place, "--resume", place.top / "place", "--least", "warning")
        wait_for(lambda: len(follow.lines()) == 1, "the hold of meanwhile is told")
        self.assertRegex(follow.lines()[0], r"^\d{4}-\d\d-\d\dT[0-9:.]+Z  held: Held locally")
        place.ask({"ask": "hold"})
        wait_for(lambda: len(follow.lines()) == 2, "the next one too")
        # From a number.
        again = self.follow(place, "--json", "--from", numbers[0], folder=place.state)
        wait_for(lambda: [e["number"] for e in again.events()][:len(numbers)] == numbers, "all of them again")

    def test_what_the_journal_no_longer_has_is_said(self):
        place = self.station()
        folder = place.state / "journal"
        folder.mkdir()

        def line(content):
            return f"{zlib.crc32(content.encode()):08x} {content}\n"
        epoch = "00112233aabbccdd"
        event = json.dumps({"epoch": epoch, "number": 41, "kind": "held", "severity": "warning", "text": "Held."})
        (folder / f"events-{41:020}").write_text(line(f"dekeyd-journal 1 {epoch} 41") + line(f"41 {event}"))
        place.start()
        follow = self.follow(place, "--json", "--from", 1, "--least", "warning")
        wait_for(lambda: len(follow.events()) >= 2, "the gap and the event")
        gap, held = follow.events()[:2]
        self.assertEqual((gap["kind"], gap["missing"], gap["after"], gap["before"]), ("events-missing", 40, 0, 41))
        self.assertIn("40 events are missing between numbers 0 and 41", gap["text"])
        self.assertEqual((held["kind"], held["number"]), ("held", 41))

    def test_what_the_storage_refuses_comes_all_the_same_and_once(self):
        place = self.station()
        (place.state / "journal").write_text("a file where the folder must be\n")
        place.start()
        follow = self.follow(place, "--json", "--least", "warning")
        # Once it is connected what comes is its.
        wait_for(lambda: follow.events() or (place.ask({"ask": "release"}) and time.sleep(0.5)), "a live event")
        place.ask({"ask": "hold", "reason": "no storage"})
        held = wait_for(lambda: [e for e in follow.events() if e["kind"] == "held"], "the hold comes")
        self.assertEqual((held[0]["number"], held[0].get("epoch")), (None, None))
        self.assertIn("no storage", held[0]["text"])
        (place.state / "journal").unlink()
        wait_for(lambda: any((place.state / "journal").glob("events-*")), "the journal is open")
        place.ask({"ask": "release"})
        place.ask({"ask": "hold", "reason": "with storage"})
        wait_for(lambda: [e for e in follow.events() if "with storage" in e["text"]], "the next hold comes")
        self.assertEqual([e["text"].count("no storage") for e in follow.events()].count(1), 1, "none twice")


class Command(FollowTest):
    def test_a_thousand_events_with_the_command_killed_at_random(self):
        place = self.station().start_permitted()
        follow = self.followed_from_now(place, "--least", "warning", "--run", self.command(place, COMMAND))
        threads = self.refuse(place, EVENTS)
        chance, killed = random.Random(7), set()
        begun, done = place.top / "begun", place.top / "done"
        while len(killed) < KILLS_OF_COMMAND and len(words(done)) < EVENTS - 10:
            time.sleep(chance.uniform(0.0, 0.01))
            last = words(begun)[-1:]
            if last and last[0].split()[1] not in words(done)[-1:] and chance.random() < 0.7 and self.kill_before_its_last_act(*last[0].split(), done):
                killed.add(last[0].split()[0])
        for thread in threads:
            thread.join()
        wanted = self.stored(place)
        self.assertGreaterEqual(len(wanted), EVENTS)
        wait_for(lambda: len(words(done)) >= len(wanted), "all are delivered", 60)
        self.assertEqual(follow.end(), 0)
        self.assertEqual(words(done), wanted[-len(words(done)):])
        self.assertEqual(len(words(done)), len(set(words(done))), "none twice")
        self.assertEqual(follow.said().count("was ended by signal 9"), len(killed))
        self.assertGreaterEqual(len(killed), KILLS_OF_COMMAND // 3)
        print(f"{len(words(done))} events, the command killed {len(killed)} times: none lost, none twice")

    def kill_before_its_last_act(self, process, event, done):
        """Stopped first: then what it has done stands still. One that has done its last act is let go."""
        try:
            os.kill(int(process), signal.SIGSTOP)
            if event in words(done):
                os.kill(int(process), signal.SIGCONT)
                return False
            os.kill(int(process), signal.SIGKILL)
            return True
        except ProcessLookupError:
            return False

    def test_follow_killed_at_random_goes_on_and_repeats_at_most_the_one_in_flight(self):
        place = self.station().start_permitted()
        arguments = ("--least", "warning", "--run", self.command(place, COMMAND))
        follow = self.followed_from_now(place, *arguments)
        threads = self.refuse(place, FEWER_EVENTS)
        chance, done = random.Random(11), place.top / "done"
        for _ in range(KILLS_OF_FOLLOW):
            before = len(words(done))
            wait_for(lambda: len(words(done)) > before + 3, "it goes on")
            time.sleep(chance.uniform(0.0, 0.05))
            follow.end(signal.SIGKILL)
            follow = self.follow(place, "--resume", place.top / "place", *arguments)
        for thread in threads:
            thread.join()
        wanted = self.stored(place)
        wait_for(lambda: words(done)[-1:] == wanted[-1:], "the last one is delivered", 60)
        told = words(done)
        once = [event for i, event in enumerate(told) if i == 0 or event != told[i - 1]]
        self.assertEqual(once, wanted[-len(once):])
        self.assertGreaterEqual(len(once), FEWER_EVENTS)
        self.assertLessEqual(len(told) - len(once), KILLS_OF_FOLLOW, "at most the one in flight")
        print(f"{len(once)} events, follow killed {KILLS_OF_FOLLOW} times: none lost, {len(told) - len(once)} repeated")

    def test_one_that_takes_too_long_is_killed_with_its_group_and_given_up_after_its_tries(self):
        place = self.station().start_permitted()
        tell = self.command(place, "#!/bin/sh\nsleep 1000 &\necho $! >>children\nwait\n")
        follow = self.followed_from_now(place, "--least", "warning", "--time-limit", "0.5", "--tries", "2", "--run", tell)
        place.ask({"ask": "release"})
        wait_for(lambda: "NOT DELIVERED after 2 times; 1 undelivered event so far" in follow.said(), "it is given up")
        self.assertEqual(follow.said().count("took longer than 0.5 s and was killed"), 2)
        self.assertIn("is given to it again in 0.25 s", follow.said())
        for child in words(place.top / "children"):
            wait_for(lambda: not pathlib.Path(f"/proc/{child}/cmdline").exists()
                     or pathlib.Path(f"/proc/{child}/cmdline").read_text() == "", "its child is gone too")
        # The next one is told of it.
        tell.write_text("#!/bin/sh\necho $DEKEYD_EVENT_UNDELIVERED $DEKEYD_EVENT_STATION >counted\n")
        place.ask({"ask": "hold"})
        wait_for(lambda: words(place.top / "counted") == ["1 hilltop-23cm"], "with how many were given up")

    def test_a_command_gets_the_line_and_the_words_and_what_it_is_not_is_refused(self):
        place = self.station().start_permitted()
        tell = self.command(place, "#!/bin/sh\ncat >line\nenv | grep ^DEKEYD_EVENT_ | sort >words.new\necho \"$1\" >>words.new\nmv words.new words\n")
        follow = self.followed_from_now(place, "--least", "warning", "--run", tell, "--json $(id)")
        place.ask({"ask": "hold", "reason": "mast; $(touch /tmp/x)"})
        wait_for((place.top / "words").exists, "it was told")
        told, line = dict(w.split("=", 1) for w in words(place.top / "words")[:-1]), json.loads((place.top / "line").read_text())
        self.assertEqual(words(place.top / "words")[-1], "--json $(id)")
        self.assertEqual((told["DEKEYD_EVENT_KIND"], told["DEKEYD_EVENT_SEVERITY"], told["DEKEYD_EVENT_TRY"]), ("held", "warning", "1"))
        self.assertEqual(told["DEKEYD_EVENT_ID"], f"{line['epoch']}-{line['number']}")
        self.assertEqual((told["DEKEYD_EVENT_SENTENCE"], told["DEKEYD_EVENT_TIME"]), (line["text"], line["wall"]))
        self.assertIn("mast; $(touch /tmp/x)", told["DEKEYD_EVENT_SENTENCE"])
        wait_for(lambda: "(tell: exit code 0)" in follow.out.read_text(), "its exit code is said")
        wrong = subprocess.run([DEKEYCTL, "follow", "--run", str(place.run)], capture_output=True, text=True, timeout=20)
        self.assertNotEqual(wrong.returncode, 0)
        self.assertIn(f"'dekeyctl --run {place.run} follow'", " ".join(wrong.stderr.split()))

    def test_the_examples_send_mail_and_post(self):
        place = self.station().start_permitted()
        for name in ("mail", "webhook"):
            shutil.copy(EXAMPLES / name, place.top)
        if shutil.which("shellcheck"):
            subprocess.run(["shellcheck", EXAMPLES / "mail", EXAMPLES / "webhook"], check=True)
        (place.top / "mail.to").write_text("keeper@example.net\n")
        mailer = self.command(place, '#!/bin/sh\necho "$@" >mail.arguments\ncat >mail.new\nmv mail.new mail.sent\n', "sendmail")
        os.environ["SENDMAIL"] = str(mailer)
        self.addCleanup(os.environ.pop, "SENDMAIL")
        follow = self.followed_from_now(place, "--least", "warning", "--run", place.top / "mail")
        place.ask({"ask": "hold", "reason": "on the mast"})
        wait_for((place.top / "mail.sent").exists, "a mail")
        mail = (place.top / "mail.sent").read_text()
        self.assertTrue(mail.startswith("To: keeper@example.net\nSubject: hilltop-23cm: held\n"), mail)
        self.assertIn("\n\nHeld locally", mail)
        self.assertEqual((place.top / "mail.arguments").read_text(), "-i -t\n")
        follow.end()
        if shutil.which("curl"):
            self.post(place)

    def post(self, place):
        got = []

        class Hook(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                got.append((dict(self.headers), self.rfile.read(int(self.headers["Content-Length"]))))
                self.send_response(200 if len(got) > 1 else 503)
                self.end_headers()

            def log_message(self, *_):
                pass
        server = http.server.HTTPServer(("127.0.0.1", 0), Hook)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        self.addCleanup(server.server_close)
        self.addCleanup(server.shutdown)
        (place.top / "webhook.conf").write_text(f'url = "http://127.0.0.1:{server.server_port}/hilltop"\n'
                                                'header = "Authorization: Bearer a-token"\n')
        follow = self.follow(place, "--resume", place.top / "place", "--least", "warning", "--run", place.top / "webhook")
        place.ask({"ask": "release"})
        place.ask({"ask": "release"})  # refused
        wait_for(lambda: len(got) >= 2, "posted again after a 503")
        self.assertIn("'webhook' ended with exit code 22", follow.said())
        self.assertEqual(got[0], got[1])
        self.assertEqual((got[0][0]["Authorization"], json.loads(got[0][1])["kind"]), ("Bearer a-token", "refused"))
        self.assertRegex(got[0][0]["Idempotency-Key"], r"^[0-9a-f]{16}-\d+$")


class Guard(FollowTest):
    def kinds(self, follow):
        return [event["kind"] for event in follow.events() if event["kind"].startswith("guard-")]

    def test_one_that_hangs_or_dies_is_gone_once_and_back_once(self):
        place = self.station().start_permitted()
        follow = self.followed_from_now(place, "--json", "--least", "alarm")
        place.daemon.send_signal(signal.SIGSTOP)
        wait_for(lambda: self.kinds(follow) == ["guard-gone"], "gone", 15)
        place.daemon.send_signal(signal.SIGCONT)
        wait_for(lambda: self.kinds(follow) == ["guard-gone", "guard-back"], "back", 15)
        gone = next(event for event in follow.events() if event["kind"] == "guard-gone")
        self.assertRegex(gone["text"], rf"^dekeyd \(hilltop-23cm\) has not answered on {place.run}/observe since "
                                       r"\d\d:\d\d:\d\d UTC: the amplifier may be without its interlock\.$")
        self.assertEqual(gone["severity"], "alarm")
        place.stop(signal.SIGKILL)
        wait_for(lambda: self.kinds(follow) == ["guard-gone", "guard-back", "guard-gone"], "gone again", 15)
        # One that was told away is told back by the next follow too.
        wait_for(lambda: b" away" in (place.top / "place").read_bytes(), "which is kept")
        follow.end(signal.SIGKILL)
        follow = self.follow(place, "--resume", place.top / "place", "--json", "--least", "alarm")
        place.start()
        wait_for(lambda: self.kinds(follow)[3:] == ["guard-back"], "and back again", 15)

    def test_one_that_starts_later_is_waited_for(self):
        place = self.station()
        follow = self.follow(place, "--json")
        wait_for(lambda: "no dekeyd answers yet" in follow.said(), "it says so")
        place.start()
        wait_for(lambda: follow.events() or (place.ask({"ask": "release"}) and time.sleep(0.5)), "an event")
        self.assertEqual(self.kinds(follow), [])

    def test_its_socket_lets_one_look_and_order_nothing(self):
        place = self.station().start_permitted()
        self.assertEqual(os.stat(place.run / "observe").st_mode & 0o777, 0o660)
        with station.Client(place.run / "observe") as client:
            self.assertTrue(client.ask({"ask": "status"})["ok"])
            for order in ({"ask": "hold"}, {"ask": "release"}, {"ask": "reset"}, {"ask": "commission"}, {"ask": "prove"},
                          {"ask": "record", "seconds": 1}, {"ask": "follow"}, {"ask": "report", "broker": True}):
                answer = client.ask(order)
                self.assertFalse(answer["ok"], order)
            self.assertIn("look, and order nothing", client.ask({"ask": "hold"})["error"])
        self.assertTrue(place.permits())
        # Many of them keep no operator out, nor each other's newest.
        clients = []
        for _ in range(30):
            clients.append(station.Client(place.run / "observe"))
        self.assertTrue(place.ask({"ask": "hold"})["ok"])
        self.assertTrue(clients[-1].ask({"ask": "status"})["ok"])
        for client in clients:
            client.close()


if __name__ == "__main__":
    unittest.main(verbosity=1)
