// What an operator may ask for from here, and what the daemon made of it. The page shows the answer, never its hope.
import type { Device, Happening } from "./model";

export type Command = "hold" | "release" | "reset";

/// An answer comes as an event; after this long there won't be one.
export const answerWithin_ms = 5000;

export interface Offer {
  command: Command;
  label: string;
  asks: boolean; ///< a confirmation first
}

/// Only what the device's own description has as settable exists here.
export function offers(device: Device | undefined): Offer[] {
  const permit = device?.nodes.get("permit");
  const can = (command: Command) => permit?.properties.get(command)?.settable === true;
  const found: Offer[] = [];
  if (can("hold")) found.push({ command: "hold", label: "Hold", asks: false });
  if (can("release")) found.push({ command: "release", label: "Release…", asks: true });
  if (can("reset")) found.push({ command: "reset", label: "Reset…", asks: true });
  return found;
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
    const hold = device.held === "none" || !device.held ? "No hold stands now, so nothing will change."
               : local ? "A hold stands at the amplifier; that one is released only there. A hold from afar ends."
                       : "The hold from afar ends.";
    return [hold, "It does not permit by itself: the amplifier may transmit as soon as no other cause stands, at once if there is none.",
            "Be sure that nobody works on the amplifier, the feeder or the antenna."];
  }
  const latched = device.causes.filter((cause) => cause.latched).map((cause) => cause.text || cause.id);
  const what = latched.length ? `Taken away: ${latched.map((text) => text.replace(/\.$/, "")).join("; ")}.`
             : device.state === "locked out" || device.state === "latched" ? `Taken away: ${device.reason}`
             : "Nothing is latched now, so nothing will change.";
  return [what, "It does not permit by itself. A cause that still stands refuses the reset; once none stands, the amplifier may transmit at once.",
          "Know why it tripped, and be sure that nobody works on the amplifier, the feeder or the antenna."];
}

export interface Pending {
  command: Command;
  device: string;
  sent: number; ///< ms, steady
}
