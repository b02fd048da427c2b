// What happened to an amplifier, in its order, and when by the viewer's clock.

import { severities, type Device, type Happening } from "./device";
import { num, str, type Json, type Loose } from "../broker/untyped";
import type { EventMessage } from "../broker/messages";

export const keptHappenings = 200;

/// Adds those that aren't known yet, in their order; returns the new ones.
export function takeHappenings(device: Device, rows: (Json | null)[], live: boolean): Happening[] {
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

/// When it happened by the viewer's clock. While the daemon's clock isn't set, only events that came as they happened
/// have a time, and those since the daemon's last start.
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
