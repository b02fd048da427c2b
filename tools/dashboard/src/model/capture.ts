// A trip's seconds before and after, as dekeyd published them. Pure.
import type { Happening } from "./model";
import { t } from "../text/language";
import { number, withUnit } from "../text/figures";

export interface CaptureCurve {
  id: string;
  name: string;
  unit: string;
  values: (number | null)[];
}

export interface Capture {
  at_s: number; ///< the trip, on the clock that the daemon's events have
  wall: number; ///< the same, ms since 1970
  synchronised: boolean;
  cause: string;
  watch: string; ///< the quantity whose limit tripped, or nothing
  level: number | null;
  steps: number;
  lost: number;
  permit: [t: number, permit: boolean][];
  t: number[]; ///< seconds from the trip, rising
  curves: CaptureCurve[];
}

const mostPoints = 2000;
const mostCurves = 16;

const isObject = (value: unknown): value is Record<string, unknown> =>
  typeof value === "object" && value !== null && !Array.isArray(value);
const num = (value: unknown): number | null => (typeof value === "number" && Number.isFinite(value) ? value : null);
const str = (value: unknown): string => (typeof value === "string" ? value : "");
const list = (value: unknown): unknown[] => (Array.isArray(value) ? value : []);

/// Null where it is no capture that could be drawn.
export function readCapture(payload: string): Capture | null {
  let json: unknown;
  try {
    json = JSON.parse(payload);
  } catch {
    return null;
  }
  if (!isObject(json)) return null;
  const at_s = num(json["at_s"]);
  const times = list(json["t"]).map(num);
  if (at_s === null || times.length === 0 || times.length > mostPoints) return null;
  for (let i = 0; i < times.length; ++i) {
    if (times[i] === null || (i > 0 && times[i]! < times[i - 1]!)) return null;
  }
  const curves = list(json["quantities"])
    .filter(isObject)
    .slice(0, mostCurves)
    .map((one) => {
      const values = list(one["values"]).map(num);
      values.length = times.length;
      return {
        id: str(one["id"]),
        name: str(one["name"]) || str(one["id"]),
        unit: str(one["unit"]),
        values: Array.from(values, (v) => v ?? null),
      };
    });
  const permit: [number, boolean][] = [];
  for (const one of list(json["permit"])) {
    const at = num(list(one)[0]);
    if (at !== null) permit.push([at, list(one)[1] === true]);
  }
  return {
    at_s,
    wall: Date.parse(str(json["wall"])),
    synchronised: json["synchronised"] !== false,
    cause: str(json["cause"]),
    watch: str(json["watch"]),
    level: num(json["level"]),
    steps: num(json["steps"]) ?? 0,
    lost: num(json["lost"]) ?? 0,
    permit,
    t: times as number[],
    curves,
  };
}

/// The capture in which this happened. Boots have clocks of their own, so the wall time must fit too.
export function captureOf(captures: Iterable<Capture>, one: Happening): Capture | undefined {
  if (one.at_s === null) return undefined;
  for (const capture of captures) {
    const at = one.at_s - capture.at_s;
    const inside = at >= capture.t[0]! - 0.001 && at <= capture.t[capture.t.length - 1]! + 0.001;
    const wallDiffers = Math.abs((one.wall - capture.wall) / 1000 - at);
    if (inside && !(wallDiffers > 5)) return capture;
  }
  return undefined;
}

export interface CaptureChart {
  id: string;
  title: string;
  unit: string;
  curves: CaptureCurve[];
  level: number | null;
}

/// What tripped comes first; forward and reflected share a scale; what was never measured is left out.
export function captureCharts(capture: Capture, forward: string, reflected: string): CaptureChart[] {
  const charts: CaptureChart[] = [];
  for (const curve of capture.curves) {
    if (curve.values.every((value) => value === null)) continue;
    const level = curve.id === capture.watch ? capture.level : null;
    const paired = curve.id === forward || curve.id === reflected;
    const pair = paired ? charts.find((chart) => chart.id === "power") : undefined;
    if (pair) {
      pair.curves.push(curve);
      pair.level ??= level;
    } else {
      charts.push({
        id: paired ? "power" : curve.id,
        title: paired ? t.capture.power : curve.name[0]!.toUpperCase() + curve.name.slice(1),
        unit: curve.unit,
        curves: [curve],
        level,
      });
    }
  }
  return charts;
}

/// The newest value at or before a time; within a curve's own gaps there is none.
export function valueAt(capture: Capture, curve: CaptureCurve, at: number): number | null {
  let low = 0;
  let high = capture.t.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (capture.t[middle]! <= at) low = middle + 1;
    else high = middle;
  }
  return low > 0 ? (curve.values[low - 1] ?? null) : null;
}

/// "2.50 s before", "at the trip", "0.02 s after".
export function beside(seconds: number): string {
  const digits = Math.abs(seconds) < 1 ? 3 : 2;
  if (Math.abs(seconds) < 0.0005) return t.capture.atTrip;
  const span = `${Math.abs(seconds).toFixed(digits)} s`;
  return seconds < 0 ? t.capture.before(span) : t.capture.after(span);
}

/// The capture in one sentence for each curve, for a reader who doesn't see it.
export function inWords(capture: Capture, chart: CaptureChart): string {
  return (
    chart.curves
      .map((curve) => {
        const known = curve.values.filter((value) => value !== null);
        const at = valueAt(capture, curve, 0);
        const ends = t.capture.between(
          number(Math.min(...known), curve.unit),
          withUnit(Math.max(...known), curve.unit),
        );
        return `${at === null ? t.capture.notAtTrip(curve.name) : t.capture.atTripWas(curve.name, withUnit(at, curve.unit))}, ${ends}`;
      })
      .join("; ") + (chart.level === null ? "" : `; ${t.capture.itTripsAt(withUnit(chart.level, chart.unit))}`)
  );
}
