// Takes a message's values into what is known of an amplifier.

import { readCapture } from "../model/capture";
import type {
  Cause,
  Device,
  Exposure,
  Happening,
  Hold,
  Moment,
  Property,
  Quantity,
  Transmission,
} from "../model/device";
import { takeHappenings } from "../model/events";
import { isObject, list, num, parse, rowsOf, str, type Loose } from "./untyped";
import type {
  ChainMessage,
  ChannelCount,
  DetectorMessage,
  LiveSummary,
  Pulse,
  PlanMessage,
  PlannedLimit,
  SummaryCause,
  SummaryProof,
  HoldMessage,
} from "./messages";

/// Of alerts and of values, for each device.
export const mostValues = 600;
const mostListed = 200;

export function takeDescription(device: Device, payload: string): void {
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

export function takeValue(
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
  if (node === "service" && property === "pulse") {
    takePulse(device, text, retained, now);
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
  device.said = sequence;
  if (!retained) takeNews(device, str(json.wall), sequence, now);
}

/// In a second without a summary: that the last one is still true. Of another one than ours it says nothing.
function takePulse(device: Device, payload: string, retained: boolean, now: Moment): void {
  const json: Loose<Pulse> | null = parse(payload);
  const said = json ? num(json.summary) : null;
  if (!json || retained || said === null || said !== device.said) return;
  takeNews(device, str(json.wall), num(json.sequence), now);
}

function takeNews(device: Device, wall: string, sequence: number | null, now: Moment): void {
  const wall_ms = Date.parse(wall);
  if (Number.isFinite(wall_ms)) device.clockOffset = now.wall - wall_ms;
  if (sequence === null || sequence === device.sequence) return;
  device.sequence = sequence;
  device.news = now;
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
