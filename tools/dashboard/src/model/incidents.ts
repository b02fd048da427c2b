// A trip, what led to it, what came then and how it ended, as one thing. Pure.
import { captureOf, type Capture, type CaptureCurve } from "./capture";
import type { Device, Happening } from "./model";

export interface Incident {
  trip: Happening;
  before: Happening[]; ///< warnings and the RF of its last minutes
  after: Happening[]; ///< further causes, clearings, holds, resets, to the permit
  ended: Happening | null; ///< the permit that came back
  capture: Capture | undefined;
}

const ledWithin_ms = 10 * 60 * 1000;
const mostBefore = 5;
const mostAfter = 12;
const leads = ["warning", "RF on", "RF off", "key on", "key off", "held", "released", "commissioning"];

/// Newest first.
export function incidentsOf(device: Device, most = 8): Incident[] {
  const all = device.happenings;
  const found: Incident[] = [];
  let open: Incident | null = null;
  all.forEach((one, i) => {
    if (one.kind === "tripped" && (!open || one.firstCause)) {
      let from = i;
      while (
        from > 0 &&
        i - from < mostBefore &&
        leads.includes(all[from - 1]!.kind) &&
        !(one.wall - all[from - 1]!.wall > ledWithin_ms)
      )
        --from;
      open = {
        trip: one,
        before: all.slice(from, i),
        after: [],
        ended: null,
        capture: captureOf(device.captures.values(), one),
      };
      found.push(open);
    } else if (open) {
      if (open.after.length < mostAfter || one.kind === "permitted") open.after.push(one);
      if (one.kind === "permitted") {
        open.ended = one;
        open = null;
      }
    }
  });
  return found.slice(-most).reverse();
}

/// The curve of what tripped, else the first that has values.
export function curveOf(capture: Capture): CaptureCurve | undefined {
  const measured = capture.curves.filter((curve) => curve.values.some((value) => value !== null));
  return measured.find((curve) => curve.id === capture.watch) ?? measured[0];
}

/// An SVG path within 100 by 30, and where the limit and the trip stand in it; gaps stay gaps.
export function sketch(
  capture: Capture,
  curve: CaptureCurve,
): { path: string; level: number | null; trip: number | null } {
  const known = curve.values.filter((value): value is number => value !== null);
  const level = curve.id === capture.watch ? capture.level : null;
  const low = Math.min(...known, ...(level === null ? [] : [level]));
  const high = Math.max(...known, ...(level === null ? [] : [level]));
  const [first, last] = [capture.t[0]!, capture.t[capture.t.length - 1]!];
  const x = (at: number) => +(((at - first) / (last - first || 1)) * 100).toFixed(2);
  const y = (value: number) => +(28 - ((value - low) / (high - low || 1)) * 26).toFixed(2);
  let path = "";
  let pen = false;
  curve.values.forEach((value, i) => {
    if (value !== null) path += `${pen ? "L" : "M"}${x(capture.t[i]!)} ${y(value)}`;
    pen = value !== null;
  });
  return { path, level: level === null ? null : y(level), trip: first <= 0 && last >= 0 ? x(0) : null };
}
