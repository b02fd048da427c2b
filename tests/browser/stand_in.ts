// Publishes what a dekeyd would, by a script of the test's own, where the real one can't be brought to do it: a guard
// that hangs, a broker that goes, commands that are or aren't allowed.
import mqtt, { type MqttClient } from "mqtt";

export interface Quantity {
  name: string;
  unit: string;
  value: number | null;
  span?: [number, number | null];
  quality?: string;
}

export interface StandInLimit {
  id: string;
  name: string;
  watch: string;
  unit: string;
  direction: "above" | "below";
  trip: number;
  clear: number | null;
  warn: number | null;
  clear_by: string;
  hold_off_s: number;
  rearm: string;
}

export function quantities(): Record<string, Quantity> {
  return {
    heatsink: { name: "Heatsink", unit: "°C", value: 48.3, span: [47.8, 48.8] },
    ambient: { name: "Air at the intake", unit: "°C", value: 21.4, span: [20.9, 21.9] },
    forward: { name: "Forward power", unit: "W", value: 104, span: [93, 116] },
    reflected: { name: "Reflected power", unit: "W", value: 1.12, span: [0.98, 1.29] },
    drive: { name: "Drive", unit: "W", value: 1.71, span: [1.5, 1.93] },
    supply: { name: "Supply", unit: "V", value: 27.62, span: [27.6, 27.65] },
    current: { name: "Supply current", unit: "A", value: 8.31, span: [8.2, 8.4] },
    fan: { name: "Fan", unit: "rpm", value: 2350, span: [2300, 2400] },
    vswr: { name: "VSWR", unit: "", value: 1.23, span: [1.15, 1.31] },
    compression: { name: "Gain compression", unit: "dB", value: 0.6, span: [0, 1.4] },
  };
}

export function limits(): StandInLimit[] {
  const limit = (id: string, name: string, watch: string, unit: string, direction: "above" | "below", trip: number,
                 clear: number | null, warn: number | null, rearm: string, hold_off_s: number): StandInLimit =>
    ({ id, name, watch, unit, direction, trip, clear, warn, clear_by: clear === null ? "rf off" : "level", hold_off_s, rearm });
  return [
    limit("heatsink", "Heatsink too hot", "heatsink", "°C", "above", 70, 55, 65, "automatic", 30),
    limit("vswr", "VSWR too high", "vswr", "", "above", 2, null, 1.6, "latched", 1),
    limit("reflected", "Reflected power too high", "reflected", "W", "above", 12, null, null, "latched", 1),
    limit("forward", "Forward power too high", "forward", "W", "above", 125, null, null, "automatic", 5),
    limit("drive", "Overdrive", "drive", "W", "above", 2.5, 2, null, "automatic", 5),
    limit("supply-high", "Supply too high", "supply", "V", "above", 30.8, 29.4, null, "automatic", 5),
    limit("supply-low", "Supply too low", "supply", "V", "below", 23.8, 26.04, null, "automatic", 5),
    limit("current", "Supply current too high", "current", "A", "above", 14, null, null, "latched", 1),
    limit("fan", "Fan stalled", "fan", "rpm", "below", 500, 800, null, "automatic", 30),
  ];
}

export class StandIn {
  readonly quantities = quantities();
  readonly limits = limits();
  readonly conditions: Record<string, string> = {};
  readonly commands: { topic: string; payload: string; retained: boolean }[] = [];
  permit = true;
  state = "permitted";
  reason = "Nothing stands against the permit.";
  held = "none";
  holds: unknown[] = [];
  rf = true;
  causes: unknown[] = [];
  advice = "";
  clean = "";      ///< the sentence about the signal
  unclean: boolean | null = null;  ///< its warning; null: no receiver is configured
  transmitting_s: number | null = 252;
  settling_left_s: number | null = null;
  monitor_only = false;
  commissioning_left_s: number | null = null;
  proof = { phase: "none", text: "" };
  resting: Record<string, string> = {};
  synchronised = true;
  clockWrong_ms = 0; ///< its clock's time less the true one
  answersCommands = true;
  private readonly pastTopics = new Set<string>();
  private sequence = 100;
  private number = 0;
  private recent: unknown[] = [];
  private timer: NodeJS.Timeout | undefined;

  private constructor(readonly client: MqttClient, readonly id: string, readonly name: string, readonly settable: string[]) {
    for (const limit of this.limits) this.conditions[limit.id] = "inside";
    client.on("message", (topic, payload, packet) => this.asked(topic, payload.toString(), packet.retain));
  }

  static async start(port: number, { id = "hilltop-23cm", name = "Hill-top repeater amplifier", settable = ["hold"] } = {}):
      Promise<StandIn> {
    const will = { topic: `homie/5/${id}/$state`, payload: Buffer.from("lost"), qos: 1 as const, retain: true };
    const client = await mqtt.connectAsync(`mqtt://127.0.0.1:${port}`, { protocolVersion: 4, will, reconnectPeriod: 300 });
    const one = new StandIn(client, id, name, settable);
    await one.announce();
    client.on("connect", () => void one.announce());
    return one;
  }

  async announce(): Promise<void> {
    await this.client.subscribeAsync(`homie/5/${this.id}/+/+/set`);
    await this.put("$state", "init");
    await this.put("$description", JSON.stringify(this.description()));
    const chains = ["forward", "reflected", "drive"].map((id) => (
      { id, detector: { law: "log", slope_v_per_db: -0.0244, intercept_dbm: 19.6 }, coupling_db: id === "drive" ? 20 : 40, pads_db: 10, cable_db: 0.5,
        waveform_db: 0, floor_dbm: -50, ceiling_dbm: 5, uncertainty_db: 1.04 }));
    const exposure = { power_w: 125, uncertainty_db: 0.6, loss_db: 0.4, gain_dbi: 12, duty_percent: 100, ground_factor: 2.56, eirp_w: 2093, formula: "FCC OET Bulletin 65, far field",
      caution: "An estimate from a simple formula, for planning. It is no measurement and no permission.", cases: [
        { name: "general public", w_per_m2: 6.3, averaging_s: 1800, edition: "a rule's edition, read second-hand: check it there", distance_m: 8.3, where: "far field" },
        { name: "occupational", w_per_m2: 31.5, averaging_s: 1800, edition: "a rule's edition, read second-hand: check it there", distance_m: 3.8, where: "far field" }] };
    const roles = Object.fromEntries(["heatsink", "ambient", "forward", "reflected", "drive", "supply", "current", "fan"].map((x) => [x, x]));
    await this.put("service/plan", JSON.stringify({ limits: this.limits, roles, settling_s: 5, chains, exposure }));
    await this.put("service/sensors", JSON.stringify(Object.keys(this.quantities).slice(0, 8).map((id) =>
      ({ id, good_keyed: 90000, good_idle: 9000, faults_keyed: id === "ambient" ? 900 : 0, faults_idle: 0, last_fault: "bad CRC" }))));
    await this.put("recorder/transmissions", JSON.stringify([3, 2, 1].map((hours) => (
      { start: new Date(Date.now() - hours * 60000).toISOString(), synchronised: true, length_s: 252 * hours, mean_forward_w: 101.2,
        peak_forward_w: 106, worst_vswr: 1.27, hottest_c: 49.1, energy_wh: 7.1 * hours, ended: "unkeyed" }))));
    await this.put("service/recent", JSON.stringify(this.recent));
    await this.put("service/clock", "synchronised");
    await this.put("$state", "ready");
    await this.tick();
  }

  /// A summary each second from now on.
  run(): void {
    // One that is under way while its client leaves has nobody to tell.
    this.timer ??= setInterval(() => void this.tick().catch(() => undefined), 1000);
  }

  pause(): void {
    clearInterval(this.timer);
    this.timer = undefined;
  }

  /// `still`: the same sequence number again, as from a telemetry that lives beside a guard that hangs.
  async tick(still = false): Promise<void> {
    if (!still) this.sequence += 50;
    const values = Object.fromEntries(Object.entries(this.quantities).map(([id, one]) => [id, one.value]));
    const span = Object.fromEntries(Object.entries(this.quantities).filter(([, one]) => one.span && one.value !== null)
      .map(([id, one]) => [id, one.span]));
    const quality = Object.fromEntries(Object.entries(this.quantities).filter(([, one]) => one.quality).map(([id, one]) => [id, one.quality]));
    await this.put("permit/advice", this.rf && this.permit && this.advice ? this.advice : "\0");
    if (this.clean) await this.put("signal/clean", this.clean);
    if (this.unclean !== null) await this.put("signal/warning", String(this.unclean));
    for (const [id, condition] of Object.entries(this.conditions)) await this.put(`limits/${id}`, condition);
    await this.put("service/summary", JSON.stringify({
      wall: new Date(Date.now() + this.clockWrong_ms).toISOString(), synchronised: this.synchronised, sequence: this.sequence,
      commissioning_left_s: this.commissioning_left_s, proof: this.proof, resting: this.resting, permit: this.permit, state: this.state,
      reason: this.reason, rf: this.rf, held: this.held, holds: this.holds, monitor_only: this.monitor_only,
      settling_left_s: this.settling_left_s, transmitting_s: this.transmitting_s, values, span, quality, causes: this.causes,
    }));
  }

  async event(kind: string, text: string, more: Record<string, unknown> = {}): Promise<void> {
    const alarm = ["tripped", "latched", "locked out"].includes(kind);
    const event = { epoch: "5f1c", number: ++this.number, at_s: process.uptime(), wall: new Date(Date.now() + this.clockWrong_ms).toISOString(),
                    synchronised: this.synchronised, kind, source: "",
                    severity: alarm ? "alarm" : "notice", sign: alarm ? "■" : "□",
                    state: this.state, first_cause: false, value: null, unit: "", level: null, origin: "none", text, ...more };
    this.recent = [...this.recent, event].slice(-24);
    await this.client.publishAsync(`dekeyd/${this.id}/event`, JSON.stringify(event), { qos: 1 });
    await this.put("service/recent", JSON.stringify(this.recent));
  }

  /// The seconds around the last event, as dekeyd's recorder thins them: 5 s before, 2 s after, the heatsink's trip.
  async capture(): Promise<void> {
    const event = this.recent.at(-1) as { at_s: number; wall: string; text: string };
    const t = Array.from({ length: 281 }, (_, i) => -5 + i * 0.025);
    const curve = (id: string, value: (t: number) => number | null) =>
      ({ id, name: this.quantities[id]!.name, unit: this.quantities[id]!.unit, values: t.map(value) });
    await this.put("recorder/capture-1", JSON.stringify({
      at_s: event.at_s, wall: event.wall, synchronised: true, cause: event.text, steps: 900, lost: 0, source: "heatsink",
      watch: "heatsink", level: 70, direction: "above", permit: [[-5, true], [0, false]], t, quantities: [
        curve("heatsink", (s) => 70.4 + (s < 0 ? s * 0.3 : -s * 0.1)), curve("forward", (s) => (s < 0 ? 104 + Math.sin(s * 9) : 0.4)),
        curve("reflected", (s) => (s < 0 ? 1.12 : 0.01)), curve("vswr", (s) => (s < 0 ? 1.23 : null)), curve("drive", () => 1.71),
        curve("supply", (s) => (s < 0 ? 27.62 : 28.1)), curve("current", (s) => (s < 0 ? 8.31 : 0.9))] }));
  }

  /// The last minutes and hours, as dekeyd leaves them for those who come late: forward rises by a watt each minute.
  async past(minutes: number, hours: number): Promise<void> {
    const [minute, hour] = [Math.floor(Date.now() / 60000), Math.floor(Date.now() / 3600000)];
    const permit = { d: 0, m: [1] };
    const others = (n: number) => Object.fromEntries(([["heatsink", 1, 483], ["ambient", 1, 214], ["reflected", 2, 112], ["vswr", 2, 123],
      ["drive", 2, 171], ["compression", 1, 6]] as const).map(([id, d, value], place) => [id, { d, m: Array.from({ length: n }, (_, i) => value + (i + place) % 4) }]));
    const all = (value: number) => Array.from({ length: 120 }, () => value);
    for (let back = minutes; back >= 1; --back) {
      await this.putPast(`hour/${(minute - back) % 60}`, (minute - back) * 60, 1, 60, { forward: { d: 0, m: [100 - back] }, ...others(1), permit });
    }
    for (let back = hours; back >= 1; --back) {
      await this.putPast(`day/${(hour - back) % 24}`, (hour - back) * 3600, 30, 120, { forward: { d: 0, m: [50], l: all(5), h: all(7) }, ...others(120), permit });
    }
  }

  async overheat(): Promise<void> {
    Object.assign(this, { permit: false, state: "tripped", rf: false, transmitting_s: null,
                          reason: "Heatsink too hot 70.4 °C at or above 70.0 °C." });
    this.quantities["heatsink"]!.value = 70.4;
    this.quantities["heatsink"]!.span = [69.9, 70.9];
    this.quietRf();
    this.conditions["heatsink"] = "tripped";
    this.causes = [{ id: "limit-heatsink", text: "Heatsink too hot 70.4 °C at or above 70.0 °C", since_s: 0, hold_off_left_s: 30,
                     latched: false, first: true }];
    await this.put("permit/permit", "false");
    await this.put("permit/state", "tripped");
    await this.put("permit/reason", this.reason);
    await this.event("tripped", "Tripped: Heatsink too hot 70.4 °C at or above 70.0 °C. Clears by itself once it has been below 55.0 °C for 30 s.",
                     { source: "heatsink", first_cause: true, value: 70.4, unit: "°C", level: 70 });
    await this.tick();
  }

  /// VSWR too high, and latched; with its further cause, and an operator's hold on top.
  async mismatch(): Promise<void> {
    Object.assign(this, { permit: false, state: "latched", rf: false, transmitting_s: null,
                          reason: "VSWR too high 2.45 at or above 2.00: latched until an operator resets it." });
    this.quietRf();
    this.conditions["vswr"] = "latched";
    this.conditions["reflected"] = "latched";
    this.causes = [
      { id: "limit-vswr", text: "VSWR too high 2.45 at or above 2.00", since_s: 12, hold_off_left_s: 1, latched: true, first: true },
      { id: "limit-reflected", text: "Reflected power too high 18.2 W at or above 12.0 W", since_s: 11, hold_off_left_s: 1, latched: true, first: false },
      { id: "sensor-ambient", text: "Air at the intake bad CRC", since_s: 3, hold_off_left_s: 5, latched: false, first: false }];
    await this.event("tripped", "Tripped: VSWR too high 2.45 at or above 2.00. Latched until an operator resets it.",
                     { source: "vswr", first_cause: true, value: 2.45, unit: "", level: 2 });
    await this.event("tripped", "Reflected power too high 18.2 W at or above 12.0 W as well.",
                     { source: "reflected", first_cause: false, value: 18.2, unit: "W", level: 12 });
    await this.tick();
  }

  /// What exists only while there is RF.
  quietRf(): void {
    Object.assign(this.quantities["forward"]!, { value: 0.001, span: [0, 0.001], quality: "at the floor" });
    Object.assign(this.quantities["reflected"]!, { value: 0.001, span: [0, 0.001], quality: "at the floor" });
    for (const id of ["vswr", "compression"]) Object.assign(this.quantities[id]!, { value: null, quality: "not measurable" });
    Object.assign(this.quantities["current"]!, { value: 0.41, span: [0.38, 0.44] });
  }

  async put(topic: string, payload: string): Promise<void> {
    await this.client.publishAsync(`homie/5/${this.id}/${topic}`, payload, { qos: 1, retain: true });
  }

  private async putPast(place: string, from: number, step: number, n: number, series: unknown): Promise<void> {
    const topic = `dekeyd/${this.id}/history/${place}`;
    this.pastTopics.add(topic);
    await this.client.publishAsync(topic, JSON.stringify({ from, step, n, series }), { qos: 1, retain: true });
  }

  async stop(): Promise<void> {
    this.pause();
    await this.client.endAsync(true);
  }

  /// Without a goodbye and for good: the will speaks.
  async vanish(): Promise<void> {
    this.pause();
    this.client.options.reconnectPeriod = 0;
    await new Promise((resolve) => this.client.once("close", resolve).stream.destroy());
  }

  /// Nothing of it stays at the broker. By a client of its own: this one may have vanished.
  async leave(port: number): Promise<void> {
    await this.stop();
    const cleaner = await mqtt.connectAsync(`mqtt://127.0.0.1:${port}`, { protocolVersion: 4 });
    for (const topic of ["$state", "$description", "recorder/capture-1"]) {
      await cleaner.publishAsync(`homie/5/${this.id}/${topic}`, "", { qos: 1, retain: true });
    }
    for (const topic of this.pastTopics) await cleaner.publishAsync(topic, "", { qos: 1, retain: true });
    await cleaner.endAsync();
  }

  private asked(topic: string, payload: string, retained: boolean): void {
    this.commands.push({ topic, payload, retained });
    if (!this.answersCommands) return;
    if (topic.endsWith("/permit/hold/set") && payload) {
      const why = payload === "hold" ? "" : `: '${payload}'`;
      Object.assign(this, { permit: false, state: "held", held: "remote", reason: `Held over the network${why || ", no reason given"}; any operator's release ends it.` });
      void this.event("held", `Held over the network${why}.`, { origin: "remote" }).then(() => this.tick());
    }
    if (topic.endsWith("/permit/reset/set") && payload === "reset") {
      void this.event("refused", "Reset refused: VSWR too high still stands. Nothing changed.", { origin: "remote", source: "vswr" });
    }
  }

  private description(): unknown {
    const measured = (format: (one: Quantity) => Record<string, string>) =>
      Object.fromEntries(Object.entries(this.quantities).map(([id, one]) => [id, { name: one.name, ...format(one) }]));
    const command = (word: string) => [word, { name: word, datatype: "enum", format: word, settable: true, retained: false }];
    const plain = (datatype: string, name: string) => ({ name, datatype });
    return {
      homie: "5.0", version: 1, name: this.name,
      nodes: {
        permit: { name: "Permit to transmit", properties: {
          permit: plain("boolean", "May transmit"), state: plain("string", "State"), reason: plain("string", "Reason"), advice: plain("string", "Advice"),
          ...Object.fromEntries(this.settable.map(command)) } },
        signal: { name: "Is the signal clean?", properties: { clean: plain("string", "Is the signal clean?"), warning: plain("boolean", "The signal is not clean") } },
        measurements: { name: "Measured values", properties: measured((one) => ({ datatype: "float", unit: one.unit })) },
        limits: { name: "Limits", properties: Object.fromEntries(this.limits.map((one) => [one.id, plain("enum", one.name)])) },
        recorder: { name: "The last trips and transmissions", properties: {
          transmissions: plain("json", "The last transmissions"), "capture-1": plain("json", "Seconds around a trip, place 1 of 4") } },
        service: { name: "The daemon itself", properties: {
          clock: plain("enum", "Clock"), summary: plain("json", "Summary"), plan: plain("json", "Plan"), recent: plain("json", "Recent events"),
          sensors: plain("json", "Sensors") } },
      },
    };
  }
}
