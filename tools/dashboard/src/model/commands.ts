// What an operator may ask for from here, and what the daemon made of it. The page shows the answer, never its hope.
import { t } from "../text/language";
import type { Device, Happening } from "./model";
import { settable } from "./standing";

export type Command = "hold" | "release" | "reset";

/// An answer comes as an event; after this long there won't be one.
export const answerWithin_ms = 5000;

/// What dekeyd said is of use for so long; so is a question to the operator.
export const answerStands_ms = 30000;
/// A brush of the thumb is shorter; under a second it is still the quickest way.
export const keepPressed_ms = 700;

/// Of a hold's reason, in characters; the daemon keeps 200 bytes.
export const longestReason = 100;

export interface Offer {
  command: Command;
  label: string;
  asks: boolean; ///< a confirmation first
}

/// Only what the device's own description has as settable exists here.
export function offers(device: Device | undefined): Offer[] {
  const found: Offer[] = [];
  if (!device) return found;
  if (settable(device, "hold")) found.push({ command: "hold", label: t.acts.hold, asks: false });
  if (settable(device, "release")) found.push({ command: "release", label: `${t.acts.release}…`, asks: true });
  if (settable(device, "reset")) found.push({ command: "reset", label: `${t.acts.reset}…`, asks: true });
  return found;
}

/// Said before a hold: what will take it away again.
export function undoing(device: Device): string {
  return settable(device, "release") ? t.acts.undoHere : t.acts.undoThere;
}

/// Does this happening answer that command?
export function answers(command: Command, one: Happening): boolean {
  if (!one.live || one.origin !== "remote") return false;
  if (one.kind === "refused") return true;
  return one.kind === { hold: "held", release: "released", reset: "reset" }[command];
}

/// What will happen, in words, before it is asked for.
export function consequences(command: Command, device: Device): string[] {
  if (command === "release") {
    const local = device.held === "local" || device.held === "both";
    const hold = device.held === "none" || !device.held ? t.acts.noHold : local ? t.acts.holdThere : t.acts.holdEnds;
    return [hold, t.acts.releasePermits, t.acts.nobodyWorks];
  }
  const latched = device.causes.filter((cause) => cause.latched).map((cause) => cause.text || cause.id);
  const what = latched.length
    ? t.acts.takenAway(`${latched.map((text) => text.replace(/\.$/, "")).join("; ")}.`)
    : device.state === "locked out" || device.state === "latched"
      ? t.acts.takenAway(device.reason)
      : t.acts.nothingLatched;
  return [what, t.acts.resetPermits, t.acts.knowWhy];
}

export interface Pending {
  command: Command;
  device: string;
  sent: number; ///< ms, steady
}
