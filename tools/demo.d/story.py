"""The story: what happens to the amplifier, and what must come of it. Judged by dekeyd's own events and the bench's own
stamps, both on CLOCK_MONOTONIC; every delay is shown, none is asserted."""
import subprocess
import time

from processes import Wrong, wait_for

ADC_PERIOD_S = 0.010   # hilltop.yaml: from one scan of the converter to the next
WIRE_PERIOD_S = 0.500  # and of the thermometers


def time_words(seconds):
    if abs(seconds) < 1.0:
        return f"{seconds * 1000:.1f} ms"
    return f"{seconds:.2f} s"


def periods(seconds, period):
    return f"{seconds / period:.1f} sample periods of {period * 1000:.0f} ms"


class Story:
    def __init__(self, bench, daemon, tell, port, pause):
        self.bench = bench
        self.daemon = daemon
        self.tell = tell    # tell(title, words)
        self.port = port
        self.pause_s = pause

    def pause(self):
        time.sleep(self.pause_s)

    # ---- what the acts are made of -----------------------------------------------------------------------------

    def permitted(self, since, seconds, what):
        """The permit comes back, and the line says so on the bench's side too."""
        event = self.daemon.event(since, "permitted", seconds)
        wait_for(f"{what}: the line at permit", lambda: self.bench.truth()["permit"], 5, self.daemon.processes)
        return event

    def key_up(self, watts=1.6):
        since = self.daemon.mark()
        self.bench.do(f"drive {watts} W")
        keyed = self.bench.do("key on")
        seen = self.daemon.event(since, "RF on", 10)["at_s"]
        truth = wait_for("RF on the line", lambda: self._truth_if("rf"), 5, self.daemon.processes)
        return keyed, truth["rf_came_ns"] / 1e9, seen

    def _truth_if(self, key):
        truth = self.bench.truth()
        return truth if truth[key] else None

    def tripped(self, since, source, seconds):
        """The trip of `source` as the first cause, RF really gone, and no permit left: the event and the truth."""
        event = self.daemon.event(since, "tripped", seconds)
        if event["source"] != source or not event["first_cause"]:
            raise Wrong(f"the first trip is of {event['source']}, not of {source}: {event['text']}")

        def gone():
            truth = self.bench.truth()
            over = not truth["rf"] and not truth["permit"] and truth["rf_gone_ns"] >= truth["rf_came_ns"]
            return truth if over else None
        truth = wait_for(f"RF gone after the trip of {source}", gone, 5, self.daemon.processes)
        self.daemon.wait(lambda: not self.daemon.status["permit"], 5, "the status without permit")
        return event, truth

    def delays(self, began, began_words, event, truth, period):
        if began <= 0:
            raise Wrong(f"tripped before it was time: {event['text']}")
        decided, off, gone = event["at_s"], truth["last_inhibit_ns"] / 1e9, truth["rf_gone_ns"] / 1e9
        return (f"RF gone {time_words(gone - began)} ({periods(gone - began, period)}) after {began_words}: "
                f"{time_words(decided - began)} to decide, {time_words(off - decided)} to the line, "
                f"{time_words(gone - off)} in the relay")

    # ---- the acts ----------------------------------------------------------------------------------------------

    def first_start(self):
        status = self.daemon.status
        if status["permit"] or not status["memory"]["first_start"]:
            raise Wrong(f"a first start must be inhibited, and say that it is one: {status['reason']}")
        self.tell("first start", f"inhibited: {status['reason']}")
        self.daemon.wait(lambda: self.daemon.status["state"] == "latched", 30, "good readings of every sensor")
        since = self.daemon.mark()
        answer, end = {}, time.monotonic() + 30
        while not answer.get("ok"):  # a fan or a bus that is still waking refuses it
            if time.monotonic() > end:
                raise Wrong(f"the first reset was refused: {answer}")
            began = time.monotonic()
            answer = self.daemon.ask("reset")
            time.sleep(0 if answer.get("ok") else 0.2)
        event = self.permitted(since, 20, "the first reset")
        self.tell("first reset", f"permit {time_words(max(event['at_s'] - began, 0.0))} after the operator's reset")

    def transmit(self):
        keyed, came, seen = self.key_up()
        self.tell("key up", f"RF {time_words(came - keyed)} after the key, seen by dekeyd {time_words(seen - came)} "
                            f"later ({periods(seen - came, ADC_PERIOD_S)})")
        # In later rounds it is warm already.
        wait_for("a warm heatsink", lambda: self.bench.truth()["heatsink_c"] > 30.0, 150, self.daemon.processes)
        self.daemon.wait(lambda: (self.daemon.value("heatsink") or 0) > 28.0, 20, "dekeyd's warm heatsink")
        truth = self.bench.truth()
        forward, heatsink = self.daemon.value("forward"), self.daemon.value("heatsink")
        self.tell("warm", f"forward {forward:.0f} W (truly {truth['forward_w']:.0f} W), heatsink {heatsink:.1f} °C "
                          f"(truly {truth['heatsink_c']:.1f} °C)")

    def broker(self):
        """What anybody may read from the broker: the device is ready, and its values are plain numbers."""
        device = "homie/5/hilltop-demo"

        def ready():
            seen = subprocess.run(["mosquitto_sub", "-h", "127.0.0.1", "-p", str(self.port), "-t", f"{device}/#", "-v",
                                   "-W", "2"], capture_output=True, text=True, check=False).stdout.splitlines()
            topics = dict(line.split(" ", 1) for line in seen if " " in line)
            return topics if topics.get(f"{device}/$state") == "ready" else None
        topics = wait_for(f"MQTT: {device}/$state ready", ready, 15, self.daemon.processes)
        forward = topics.get(f"{device}/measurements/forward", "")
        try:
            float(forward)
        except ValueError:
            raise Wrong(f"MQTT: {device}/measurements/forward is no plain number: '{forward}'") from None
        self.tell("MQTT", f"{device}/$state is ready, forward {forward} W, {len(topics)} topics")

    def water(self):
        since = self.daemon.mark()
        self.bench.do("antenna vswr 1.9 over 1 s")
        event = self.daemon.event(since, "warning", 10, "vswr")
        self.tell("water", f"it creeps into the antenna's connector; {event['text']}")
        self.pause()
        since = self.daemon.mark()
        bridged = self.bench.do("antenna vswr 2.9")
        event, truth = self.tripped(since, "vswr", 20)
        self.tell("VSWR trip", self.delays(bridged, "the water bridged the connector", event, truth, ADC_PERIOD_S))
        if not any(c["id"] == "vswr" and c["latched"] for c in self.daemon.status["causes"]):
            raise Wrong(f"the VSWR trip must be latched: {self.daemon.status['causes']}")
        answer = self.daemon.ask("reset")
        if answer.get("ok") is not False or answer.get("outcome") != "refused":
            raise Wrong(f"a reset within the hold-off must be refused: {answer}")
        self.tell("early reset", answer["text"])

    def dry(self):
        self.bench.do("key off")
        self.bench.do("antenna good over 1 s")
        self.tell("dried", "key off, the connector is dried")

        def cleared():
            causes = self.daemon.status["causes"]
            return causes and all(c["condition"] == "clear" and c["hold_off_left_s"] <= 0 for c in causes)
        self.daemon.wait(cleared, 30, "the cleared VSWR cause")
        since = self.daemon.mark()
        began = time.monotonic()
        answer = self.daemon.ask("reset")
        if not answer.get("ok"):
            raise Wrong(f"the reset was refused: {answer}")
        event = self.permitted(since, 20, "the reset")
        self.tell("re-armed", f"permit {time_words(max(event['at_s'] - began, 0.0))} after the operator's reset")

    def overdrive(self):
        self.key_up()
        self.pause()
        since = self.daemon.mark()
        began = self.bench.do("drive 2.8 W")
        event, truth = self.tripped(since, "drive", 10)
        self.tell("overdrive trip", self.delays(began, "the exciter went to 2.8 W", event, truth, ADC_PERIOD_S))
        self.pause()
        since = self.daemon.mark()
        quiet = self.bench.do("key off")
        self.bench.do("drive 1.6 W")
        event = self.permitted(since, 30, "the overdrive's end")
        self.tell("re-armed", f"by itself, {time_words(event['at_s'] - quiet)} after the exciter went silent (hold-off 3 s)")

    def fan(self):
        self.key_up()
        self.bench.do("mark heatsink_c above 70")
        since = self.daemon.mark()
        stopped = self.bench.do("fan stop")
        self.tell("the fan stops", f"at a heatsink of {self.bench.truth()['heatsink_c']:.1f} °C; it heats at thirty times "
                                   "its real pace")
        event, truth = self.tripped(since, "heatsink", 90)
        self.tell("heatsink trip", f"{time_words(event['at_s'] - stopped)} after the fan; " +
                  self.delays(truth["mark_ns"] / 1e9, "the true heatsink passed 70 °C", event, truth, WIRE_PERIOD_S))
        since = self.daemon.mark()
        self.bench.do("key off")
        cooled = self.bench.do("fan run")
        event = self.permitted(since, 60, "the cool heatsink")
        self.tell("re-armed", f"by itself, {time_words(event['at_s'] - cooled)} after the fan came back: "
                              f"heatsink {self.daemon.value('heatsink'):.1f} °C")

    def on_the_air(self):
        self.key_up()
        self.daemon.wait(lambda: self.daemon.status["permit"], 5, "the permit at the end")
        self.tell("on the air", f"permitted again, forward {self.bench.truth()['forward_w']:.0f} W")

    def once(self, first):
        if first:
            self.first_start()
            self.pause()
        for act in (self.transmit, self.broker, self.water, self.dry, self.overdrive, self.fan, self.on_the_air):
            act()
            self.pause()
        since = self.daemon.mark()
        self.bench.do("key off")
        self.daemon.event(since, "RF off", 10)
