// What is known of the amplifiers on a broker, from their messages alone. Pure: time comes in as an argument.
//
// A value that the broker had retained is known, but it isn't news: only a summary that came live, with a sequence
// number of its own, proves that the daemon decides.

import { readCapture, type Capture } from "./capture";
import type {
  ChainMessage,
  ChannelCount,
  DetectorMessage,
  EventMessage,
  LiveSummary,
  PlanMessage,
  PlannedLimit,
  SummaryCause,
  SummaryProof,
  HoldMessage,
} from "./messages";

export interface Moment {
  steady: number; ///< ms, never steps back, may stand still while the machine sleeps
  wall: number; ///< ms since 1970
}

export interface Property {
  name: string;
  datatype: string;
  format: string;
  unit: string;
  settable: boolean;
}

export interface Node {
  name: string;
  properties: Map<string, Property>;
}

export interface Hold {
  by: string; ///< "local", "remote" or "start"
  since: number | null; ///< ms since 1970, by the daemon's clock where that was set
  reason: string;
}

export interface Cause {
  id: string;
  text: string;
  since_s: number | null;
  hold_off_left_s: number | null;
  latched: boolean;
  first: boolean;
}

export interface Limit {
  edge: string; ///< what is judged: "reading", or the "low" or "high" end of its interval
  id: string;
  name: string;
  watch: string;
  unit: string;
  direction: "above" | "below";
  trips: boolean; ///< false: it only warns, and `trip` is where
  provisional: boolean; ///< watches only while commissioning
  trip: number;
  clear: number | null;
  warn: number | null;
  clear_by: string;
  hold_off_s: number;
  rearm: string;
}

/// As dekeyd has them.
export const severities = ["notice", "good", "warning", "alarm"] as const;
export type Severity = (typeof severities)[number];

export interface Happening {
  epoch: string;
  number: number;
  wall: number; ///< ms since 1970 by the daemon's clock
  at_s: number | null; ///< its steady clock
  synchronised: boolean;
  kind: string;
  severity: Severity;
  sign: string; ///< one character, so that neither colour nor reading is needed to find the trips
  source: string;
  state: string;
  firstCause: boolean;
  value: number | null;
  unit: string;
  level: number | null;
  origin: string;
  text: string;
  live: boolean; ///< it came as it happened (or was delivered late), not from the list of recent ones
}

export interface Quantity {
  value: number | null;
  low: number | null;
  high: number | null;
  quality: string;
}

export interface Channel {
  id: string;
  goodKeyed: number;
  goodIdle: number;
  faultsKeyed: number;
  faultsIdle: number;
  lastFault: string;
}

/// How a power is worked out from a detector's volts.
export interface Chain {
  id: string;
  law: string; ///< log, table or square
  slope: number | null; ///< V/dB
  intercept: number | null; ///< dBm
  voltsPerWatt: number | null;
  points: number;
  coupling: number;
  pads: number;
  cable: number;
  waveform: number;
  uncertainty: number | null; ///< ± dB
}

export interface Transmission {
  start: number; ///< ms since 1970 by the daemon's clock
  synchronised: boolean;
  length_s: number;
  mean_w: number | null;
  peak_w: number | null;
  vswr: number | null;
  hottest_c: number | null;
  energy_wh: number;
  ended: string;
}

/// A file on the amplifier's disk, with each step of the seconds around a trip.
export interface KeptCapture {
  name: string;
  wall: number; ///< ms since 1970 by the daemon's clock
  cause: string;
  size: number; ///< bytes
}

export interface ExposureCase {
  name: string;
  w_per_m2: number | null;
  averaging_s: number;
  edition: string;
  distance_m: number | null;
  where: string;
}

export interface Exposure {
  power_w: number | null;
  uncertainty_db: number | null; // by which forward may be more than its reading; the EIRP contains it
  loss_db: number | null; // from the coupler to the antenna
  eirp_w: number | null;
  gain_dbi: number | null;
  duty_percent: number | null;
  ground_factor: number | null;
  formula: string;
  caution: string;
  cases: ExposureCase[];
}

export interface Device {
  id: string;
  name: string;
  connection: string; ///< Homie's $state
  version: number;
  nodes: Map<string, Node>;
  values: Map<string, string>; ///< "node/property" -> payload
  alerts: Map<string, string>;
  quantities: Map<string, Quantity>;
  limits: Limit[];
  resting: Map<string, string>; ///< limits that don't watch now, by id: why
  roles: Map<string, string>;
  channels: Channel[];
  chains: Chain[];
  exposure: Exposure | null;
  captures: Map<string, Capture>; ///< by their place
  transmissions: Transmission[]; ///< the last ones, oldest first
  onDisk: KeptCapture[]; ///< oldest first
  permit: boolean | null;
  state: string;
  reason: string;
  held: string;
  holds: Hold[]; ///< who holds, since when and why
  rf: boolean;
  monitorOnly: boolean;
  commissioningLeft: number | null; ///< s; null: nobody is commissioning
  proof: string; ///< what a proof test does now; nothing: none runs
  eventsWaiting: number;
  synchronised: boolean; ///< its clock is set
  settlingLeft: number | null;
  transmitting: number | null;
  causes: Cause[];
  sequence: number | null;
  news: Moment | null; ///< when the last live summary with a new sequence number came
  clockOffset: number; ///< ms to add to the daemon's wall time to get the viewer's
  happenings: Happening[]; ///< oldest first, at most `keptHappenings`
}

export const keptHappenings = 200;
const largestPayload = 256 * 1024;
const mostDevices = 64;
const mostValues = 600;
const mostListed = 200;

type Json = Record<string, unknown>;

/// A message of which nothing is believed but the names of its fields: another version may have written it.
type Loose<Message> = { [Field in keyof Message]?: unknown };

function parse(text: string): Json | null {
  try {
    const value: unknown = JSON.parse(text);
    return typeof value === "object" && value !== null && !Array.isArray(value) ? (value as Json) : null;
  } catch {
    return null;
  }
}

const isObject = (value: unknown): value is Json =>
  typeof value === "object" && value !== null && !Array.isArray(value);
const num = (value: unknown): number | null => (typeof value === "number" && Number.isFinite(value) ? value : null);
const str = (value: unknown): string => (typeof value === "string" ? value : "");
const list = (value: unknown): unknown[] => (Array.isArray(value) ? value : []);

function newDevice(id: string): Device {
  return {
    id,
    name: id,
    connection: "",
    version: -1,
    nodes: new Map(),
    values: new Map(),
    alerts: new Map(),
    quantities: new Map(),
    limits: [],
    resting: new Map(),
    roles: new Map(),
    channels: [],
    chains: [],
    exposure: null,
    captures: new Map(),
    transmissions: [],
    onDisk: [],
    permit: null,
    state: "",
    reason: "",
    held: "",
    holds: [],
    rf: false,
    monitorOnly: false,
    commissioningLeft: null,
    proof: "",
    eventsWaiting: 0,
    synchronised: true,
    settlingLeft: null,
    transmitting: null,
    causes: [],
    sequence: null,
    news: null,
    clockOffset: 0,
    happenings: [],
  };
}

export class Fleet {
  readonly devices = new Map<string, Device>();

  /// Devices that are what this page is for: those that say whether they permit.
  known(): Device[] {
    return [...this.devices.values()]
      .filter((device) => device.nodes.get("permit")?.properties.has("permit"))
      .sort((a, b) => a.name.localeCompare(b.name) || a.id.localeCompare(b.id));
  }

  get(id: string): Device | undefined {
    return this.devices.get(id);
  }

  /// What only the chosen device's topics carry; what the cards need stays.
  forgetValues(id: string): void {
    const device = this.devices.get(id);
    if (!device) return;
    for (const map of [device.values, device.alerts, device.captures]) map.clear();
    device.transmissions = [];
    device.onDisk = [];
    device.happenings = [];
  }

  /// Takes one message; returns what happened newly in it, oldest first.
  take(topic: string, payload: string, retained: boolean, now: Moment): Happening[] {
    if (payload.length > largestPayload) return [];
    const parts = topic.split("/");
    if (parts[0] === "dekeyd" && parts[2] === "event" && parts.length === 3) {
      const device = this.devices.get(parts[1]!);
      return device ? takeHappenings(device, [parse(payload)], true) : [];
    }
    if (parts[0] !== "homie" || parts[1] !== "5" || parts.length < 4) return [];
    const id = parts[2]!;
    let device = this.devices.get(id);
    if (!device) {
      if (!payload || this.devices.size >= mostDevices) return [];
      device = newDevice(id);
      this.devices.set(id, device);
    }
    const [node, property] = [parts[3]!, parts[4]];
    if (node === "$state" && parts.length === 4) {
      device.connection = payload;
      if (!payload && !device.nodes.size) this.devices.delete(id);
      return [];
    }
    if (node === "$description" && parts.length === 4) {
      if (payload) takeDescription(device, payload);
      else this.devices.delete(id);
      return [];
    }
    if (node === "$alert" && parts.length === 5) {
      if (!payload) device.alerts.delete(property!);
      else if (device.alerts.size < mostValues) device.alerts.set(property!, payload);
      return [];
    }
    if (node.startsWith("$") || parts.length !== 5) return [];
    return takeValue(device, node, property!, payload, retained, now);
  }
}

function takeDescription(device: Device, payload: string): void {
  const json = parse(payload);
  if (!json) return;
  device.name = str(json["name"]) || device.id;
  device.version = num(json["version"]) ?? -1;
  device.nodes = new Map();
  if (!isObject(json["nodes"])) return;
  for (const [id, node] of Object.entries(json["nodes"])) {
    if (!isObject(node)) continue;
    const properties = new Map<string, Property>();
    for (const [key, value] of Object.entries(isObject(node["properties"]) ? node["properties"] : {})) {
      if (!isObject(value)) continue;
      properties.set(key, {
        name: str(value["name"]) || key,
        datatype: str(value["datatype"]),
        format: str(value["format"]),
        unit: str(value["unit"]),
        settable: value["settable"] === true,
      });
    }
    device.nodes.set(id, { name: str(node["name"]) || id, properties });
  }
}

function takeValue(
  device: Device,
  node: string,
  property: string,
  payload: string,
  retained: boolean,
  now: Moment,
): Happening[] {
  const key = `${node}/${property}`;
  const text = payload === "\0" ? "" : payload;
  if (node === "service" && property === "summary") {
    takeSummary(device, text, retained, now);
    return [];
  }
  if (node === "service" && property === "plan") {
    takePlan(device, text);
    return [];
  }
  if ((node === "service" && property === "recent") || (node === "recorder" && property === "trips"))
    return takeHappenings(device, rowsOf(text, "events"), false);
  if (node === "service" && property === "sensors") {
    takeChannels(device, text);
    return [];
  }
  if (node === "recorder" && property === "transmissions") {
    device.transmissions = takeTransmissions(text);
    return [];
  }
  if (node === "recorder" && property === "on-disk") {
    device.onDisk = rowsOf(text, "")
      .filter((row) => row !== null)
      .slice(-mostListed)
      .map((row) => ({
        name: str(row["name"]),
        wall: Date.parse(str(row["wall"])),
        cause: str(row["cause"]),
        size: num(row["size"]) ?? 0,
      }));
    return [];
  }
  if (node === "recorder" && /^capture-[1-9]$/.test(property)) {
    const capture = text ? readCapture(text) : null;
    if (capture) device.captures.set(property, capture);
    else device.captures.delete(property);
    return [];
  }
  if (!payload) device.values.delete(key);
  else if (device.values.has(key) || device.values.size < mostValues) device.values.set(key, text);
  if (node === "permit") {
    if (property === "permit") device.permit = text === "true" ? true : text === "false" ? false : null;
    if (property === "state") device.state = text;
    if (property === "reason") device.reason = text;
    if (property === "held") device.held = text;
  }
  if (node === "measurements") {
    const value = text === "true" ? 1 : text === "false" ? 0 : text.trim() === "" ? NaN : Number(text);
    const known = quantity(device, property);
    known.value = Number.isFinite(value) ? value : null;
    fit(known);
  }
  if (node === "quality") quantity(device, property).quality = text;
  return [];
}

function quantity(device: Device, id: string): Quantity {
  let known = device.quantities.get(id);
  if (!known) {
    known = { value: null, low: null, high: null, quality: "unknown" };
    if (device.quantities.size < mostValues) device.quantities.set(id, known);
  }
  return known;
}

/// An interval that came with another value: better none than a wrong one.
function fit(known: Quantity): void {
  const fits =
    known.value !== null &&
    known.low !== null &&
    known.low <= known.value &&
    (known.high === null || known.value <= known.high);
  if (!fits) known.low = known.high = null;
}

function takeSummary(device: Device, payload: string, retained: boolean, now: Moment): void {
  const json: Loose<LiveSummary> | null = parse(payload);
  if (!json) return;
  const sequence = num(json.sequence);
  device.permit = typeof json.permit === "boolean" ? json.permit : null;
  device.state = str(json.state);
  device.reason = str(json.reason);
  device.rf = json.rf === true;
  device.monitorOnly = json.monitor_only === true;
  if (str(json.held)) device.held = str(json.held);
  device.holds = list(json.holds)
    .map(takeHold)
    .filter((hold) => hold !== null);
  device.commissioningLeft = num(json.commissioning_left_s);
  device.proof = proofOf(json.proof);
  device.eventsWaiting = num(json.events_waiting) ?? 0;
  device.synchronised = json.synchronised !== false;
  device.settlingLeft = num(json.settling_left_s);
  device.transmitting = num(json.transmitting_s);
  device.causes = list(json.causes)
    .map(takeCause)
    .filter((cause) => cause !== null);
  device.resting = new Map(
    Object.entries(isObject(json.resting) ? json.resting : {}).map(([id, why]) => [id, str(why)]),
  );
  const values = isObject(json.values) ? json.values : {};
  const spans = isObject(json.span) ? json.span : {};
  const qualities = isObject(json.quality) ? json.quality : {};
  for (const [id, value] of Object.entries(values)) {
    const known = quantity(device, id);
    const span = list(spans[id]);
    known.value = num(value);
    known.low = num(span[0]);
    known.high = num(span[1]);
    known.quality = str(qualities[id]) || "good";
    fit(known);
  }
  if (retained) return;
  const wall = Date.parse(str(json.wall));
  if (Number.isFinite(wall)) device.clockOffset = now.wall - wall;
  if (sequence !== null && sequence !== device.sequence) {
    device.sequence = sequence;
    device.news = now;
  }
}

function proofOf(value: unknown): string {
  const proof: Loose<SummaryProof> = isObject(value) ? value : {};
  const phase = str(proof.phase);
  return phase === "" || phase === "none" ? "" : str(proof.text) || phase;
}

function takeCause(value: unknown): Cause | null {
  if (typeof value === "string") {
    return { id: value, text: "", since_s: null, hold_off_left_s: null, latched: false, first: false };
  }
  if (!isObject(value)) return null;
  const cause: Loose<SummaryCause> = value;
  return {
    id: str(cause.id),
    text: str(cause.text),
    since_s: num(cause.since_s),
    hold_off_left_s: num(cause.hold_off_left_s),
    latched: cause.latched === true,
    first: cause.first === true,
  };
}

function takeHold(value: unknown): Hold | null {
  if (!isObject(value)) return null;
  const hold: Loose<HoldMessage> = value;
  const since = Date.parse(str(hold.since));
  return {
    by: str(hold.by),
    since: Number.isFinite(since) && hold.synchronised === true ? since : null,
    reason: str(hold.reason),
  };
}

function takePlan(device: Device, payload: string): void {
  const json: (Loose<PlanMessage> & { exposure?: unknown }) | null = parse(payload);
  if (!json) return;
  device.limits = [];
  for (const one of list(json.limits).filter(isObject) as Loose<PlannedLimit>[]) {
    const trips = one.trips !== false;
    const trip = num(trips ? one.trip : one.warn);
    if (trip === null || !str(one.id)) continue;
    device.limits.push({
      id: str(one.id),
      name: str(one.name) || str(one.id),
      watch: str(one.watch),
      unit: str(one.unit),
      direction: one.direction === "below" ? "below" : "above",
      trips,
      provisional: one.provisional === true,
      edge: str(one.edge),
      trip,
      clear: num(one.clear),
      warn: trips ? num(one.warn) : null,
      clear_by: str(one.clear_by),
      hold_off_s: num(one.hold_off_s) ?? 0,
      rearm: str(one.rearm),
    });
  }
  device.roles = new Map();
  for (const [role, channel] of Object.entries(isObject(json.roles) ? json.roles : {})) {
    if (str(channel)) device.roles.set(role, str(channel));
  }
  device.chains = (list(json.chains).filter(isObject) as Loose<ChainMessage>[]).slice(0, 16).map((one) => {
    const detector: Loose<DetectorMessage> = isObject(one.detector) ? one.detector : {};
    return {
      id: str(one.id),
      law: str(detector.law),
      slope: num(detector.slope_v_per_db),
      intercept: num(detector.intercept_dbm),
      voltsPerWatt: num(detector.volts_per_watt),
      points: num(detector.points) ?? 0,
      coupling: num(one.coupling_db) ?? 0,
      pads: num(one.pads_db) ?? 0,
      cable: num(one.cable_db) ?? 0,
      waveform: num(one.waveform_db) ?? 0,
      uncertainty: num(one.uncertainty_db),
    };
  });
  device.exposure = takeExposure(json.exposure);
}

function takeExposure(json: unknown): Exposure | null {
  if (!isObject(json)) return null;
  return {
    power_w: num(json["power_w"]),
    uncertainty_db: num(json["uncertainty_db"]),
    loss_db: num(json["loss_db"]),
    eirp_w: num(json["eirp_w"]),
    gain_dbi: num(json["gain_dbi"]),
    duty_percent: num(json["duty_percent"]),
    ground_factor: num(json["ground_factor"]),
    formula: str(json["formula"]),
    caution: str(json["caution"]),
    cases: list(json["cases"])
      .filter(isObject)
      .slice(0, 8)
      .map((one) => ({
        name: str(one["name"]),
        w_per_m2: num(one["w_per_m2"]),
        averaging_s: num(one["averaging_s"]) ?? 0,
        edition: str(one["edition"]),
        distance_m: num(one["distance_m"]),
        where: str(one["where"]),
      })),
  };
}

function takeTransmissions(payload: string): Transmission[] {
  const found: Transmission[] = [];
  for (const one of rowsOf(payload, "")) {
    const length_s = one ? num(one["length_s"]) : null;
    if (!one || length_s === null) continue;
    found.push({
      start: Date.parse(str(one["start"])),
      synchronised: one["synchronised"] !== false,
      length_s,
      mean_w: num(one["mean_forward_w"]),
      peak_w: num(one["peak_forward_w"]),
      vswr: num(one["worst_vswr"]),
      hottest_c: num(one["hottest_c"]),
      energy_wh: num(one["energy_wh"]) ?? 0,
      ended: str(one["ended"]),
    });
  }
  return found.slice(-100);
}

function takeChannels(device: Device, payload: string): void {
  device.channels = rowsOf(payload, "channels")
    .filter((row) => row !== null)
    .map((row: Loose<ChannelCount>) => ({
      id: str(row.id),
      goodKeyed: num(row.good_keyed) ?? 0,
      goodIdle: num(row.good_idle) ?? 0,
      faultsKeyed: num(row.faults_keyed) ?? 0,
      faultsIdle: num(row.faults_idle) ?? 0,
      lastFault: str(row.last_fault),
    }));
}

/// A list, or an object that has it under this key.
function rowsOf(payload: string, key: string): (Json | null)[] {
  try {
    const json: unknown = JSON.parse(payload);
    const rows = Array.isArray(json) ? json : isObject(json) ? list(json[key]) : [];
    return rows.map((row) => (isObject(row) ? row : null));
  } catch {
    return [];
  }
}

/// Adds those that aren't known yet, in their order; returns the new ones.
function takeHappenings(device: Device, rows: (Json | null)[], live: boolean): Happening[] {
  const added: Happening[] = [];
  for (const row of rows) {
    const json: (Loose<EventMessage> & { epoch?: unknown }) | null = row;
    const count = json && num(json.number);
    if (!json || count === null) continue;
    const happening: Happening = {
      epoch: str(json.epoch),
      number: count,
      wall: Date.parse(str(json.wall)),
      at_s: num(json.at_s),
      synchronised: json.synchronised !== false,
      kind: str(json.kind),
      severity: severities.find((one) => one === json.severity) ?? "notice",
      sign: str(json.sign) || "·",
      source: str(json.source),
      state: str(json.state),
      firstCause: json.first_cause === true,
      value: num(json.value),
      unit: str(json.unit),
      level: num(json.level),
      origin: str(json.origin),
      text: str(json.text),
      live,
    };
    // Delivered at least once: its epoch and number tell a second delivery.
    const same = (other: Happening) =>
      other.epoch === happening.epoch && other.number === happening.number && other.wall === happening.wall;
    if (device.happenings.some(same)) continue;
    let place = device.happenings.length;
    while (place > 0) {
      const before = device.happenings[place - 1]!;
      if (before.epoch !== happening.epoch || before.number < happening.number) break;
      --place;
    }
    device.happenings.splice(place, 0, happening);
    added.push(happening);
  }
  if (device.happenings.length > keptHappenings) device.happenings.splice(0, device.happenings.length - keptHappenings);
  return added;
}

/// When it happened by the viewer's clock. With a clock that nobody set, only what came as it happened can be placed,
/// and what happened since the daemon's last start while the clock wasn't set.
export function viewersTime(device: Device, one: Happening): number | null {
  if (!Number.isFinite(one.wall)) return null;
  return one.synchronised || one.live || sinceStart(device, one) ? one.wall + device.clockOffset : null;
}

/// Its wall clock then and now differ by what the steady one says: told by its age, for the wall time itself means nothing.
export function sinceStart(device: Device, one: Happening): boolean {
  if (one.synchronised || device.synchronised || device.news === null || one.at_s === null) return false;
  const newest = device.happenings[device.happenings.length - 1];
  if (!newest || newest.at_s === null) return false;
  const began = (each: Happening) => each.wall - each.at_s! * 1000;
  for (let i = device.happenings.length - 1; i >= 0; --i) {
    const each = device.happenings[i]!;
    if (each.at_s === null || each.synchronised || Math.abs(began(each) - began(newest)) > 2000) return false;
    if (each === one) return true;
    if (each.kind === "started") return false; // before it the steady clock may have been another boot's
  }
  return false;
}
