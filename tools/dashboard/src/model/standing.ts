// All that stands against the permit: what it is, who put it there, since when, and what takes it away. Pure.
import { t } from "../text/language";
import { viewersTime, type Cause, type Device, type Hold, type Limit, type Moment } from "./model";
import { clock, duration, shown } from "../text/figures";

export interface Standing {
  id: string;
  what: string;
  who: string;
  since: string;
  way: string;
}

export function limitOf(device: Device, cause: Cause): Limit | undefined {
  return device.limits.find((limit) => cause.id === `limit-${limit.id}` || cause.id === limit.id);
}

export function settable(device: Device, command: string): boolean {
  return device.nodes.get("permit")?.properties.get(command)?.settable === true;
}

export const resetWay = (device: Device): string =>
  settable(device, "reset") ? t.banner.resetHere : t.banner.resetThere;

const plain = (text: string) => text.replace(/\.$/, "");

/// What has to come before the permit does.
function wayOut(device: Device, cause: Cause): string {
  if (cause.latched) return resetWay(device);
  const limit = limitOf(device, cause);
  const left = cause.hold_off_left_s;
  const wait = left !== null ? duration(Math.ceil(left)) : limit ? duration(limit.hold_off_s) : "";
  let gone = t.standing.goneCause;
  if (limit?.clear_by === "rf off") gone = t.standing.goneRf;
  else if (limit && limit.clear !== null) {
    const level = shown(limit.clear, limit.unit);
    gone = limit.direction === "above" ? t.standing.goneBelow(level) : t.standing.goneAbove(level);
  }
  return t.standing.rearms(gone, wait);
}

function ofCause(device: Device, cause: Cause): Standing {
  const limit = limitOf(device, cause);
  const who = cause.id.startsWith("sensor-")
    ? t.standing.sensor
    : limit || cause.id.startsWith("limit-")
      ? t.standing.limit
      : t.standing.guard;
  return {
    id: cause.id,
    what: plain(cause.text) || limit?.name || cause.id,
    who: t.standing.by(who),
    since: cause.since_s === null ? t.standing.sinceUnknown : t.standing.since(duration(cause.since_s)),
    way: wayOut(device, cause),
  };
}

/// Since the time that its note says; without one since the last event of its kind, if that is remembered.
function heldSince(device: Device, origin: string, hold: Hold | undefined, now: Moment): string {
  if (hold && hold.since !== null) return t.standing.sinceAt(clock(hold.since + device.clockOffset, now.wall));
  for (let i = device.happenings.length - 1; i >= 0; --i) {
    const one = device.happenings[i]!;
    if (one.kind !== "held" || one.origin !== origin) continue;
    const at = viewersTime(device, one);
    return at === null ? t.standing.sinceUnknown : t.standing.sinceAt(clock(at, now.wall));
  }
  return t.standing.sinceUnknown;
}

function holds(device: Device, now: Moment): Standing[] {
  const found: Standing[] = [];
  const by = t.standing.by(t.standing.operator);
  const here = device.holds.find((hold) => hold.by === "local");
  const other = device.holds.find((hold) => hold.by !== "local");
  const because = (what: string, hold: Hold | undefined) =>
    hold?.reason ? `${what}: \u2018${hold.reason}\u2019` : what;
  if (device.held === "local" || device.held === "both") {
    found.push({
      id: "held-local",
      what: because(t.standing.heldHere, here),
      who: by,
      since: heldSince(device, "local", here, now),
      way: t.standing.onlyThere,
    });
  }
  if (device.held === "remote" || device.held === "both") {
    const start = other?.by === "start";
    found.push({
      id: "held-remote",
      what: start ? t.standing.heldStart : because(t.standing.heldAfar, other),
      who: start ? t.standing.by(t.standing.guard) : by,
      since: heldSince(device, "remote", other, now),
      way: settable(device, "release") ? t.standing.afarHere : t.standing.afarThere,
    });
  }
  return found;
}

/// What stands by itself, of dekeyd's alerts.
const memories = ["locked-out", "first-start", "state-unreadable"];

export function standingOf(device: Device, now: Moment): Standing[] {
  if (device.permit === true) return [];
  const first = (cause: Cause) => (cause.first ? 0 : 1);
  const found = [...device.causes].sort((a, b) => first(a) - first(b)).map((cause) => ofCause(device, cause));
  found.push(...holds(device, now));
  for (const id of memories) {
    const text = device.alerts.get(id);
    if (text)
      found.push({ id, what: plain(text), who: t.standing.by(t.standing.guard), since: "", way: resetWay(device) });
  }
  if (device.settlingLeft) {
    found.push({
      id: "settling",
      what: t.standing.settling,
      who: t.standing.by(t.standing.guard),
      since: "",
      way: t.banner.settling(duration(Math.ceil(device.settlingLeft))),
    });
  }
  // Without a permit the list is never empty: that would read as if nothing stood.
  if (!found.length && device.reason)
    found.push({ id: "reason", what: plain(device.reason), who: t.standing.by(t.standing.guard), since: "", way: "" });
  return found;
}
