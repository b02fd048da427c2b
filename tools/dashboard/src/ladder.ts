// How far is each thing from its limit? Every row is drawn to one common edge, where its limit trips.
import type { Device, Limit, Quantity } from "./model";
import { withUnit } from "./words";

/// Where the trip stands in a lane, of its width; beyond it there is room for what is past it.
export const edge = 0.86;

export type Condition = "inside" | "warning" | "waiting" | "tripped" | "latched" | "resting" | "unknown";

export interface Rung {
  id: string;
  title: string;
  condition: Condition;
  measured: boolean;
  at: number | null; ///< places in the lane, 0..1
  low: number | null;
  high: number | null;
  recent: [number, number] | null;
  warn: number | null;
  clear: number | null;
  value: string;
  room: string; ///< head-room in words
  tripText: string;
  trips: boolean;
  warnText: string;
  spoken: string;
  share: number | null; ///< of the way from rest to the trip, 0 at rest and 1 at the trip
}

/// The harmless end of a lane: where there is none of it, or three times as far from the trip as the clear level is.
export function restOf(limit: Limit): number {
  const zero = limit.unit === "W" || limit.unit === "A" ? 0
             : /vswr/i.test(limit.watch) && limit.unit === "" ? 1 : null;
  if (limit.direction === "above" && zero !== null) return zero;
  if (limit.clear !== null && limit.clear !== limit.trip) return limit.trip + 3 * (limit.clear - limit.trip);
  const away = Math.abs(limit.trip) || 1;
  return limit.direction === "above" ? limit.trip - away : limit.trip + away;
}

export function shareOf(limit: Limit, value: number): number {
  const rest = restOf(limit);
  return (value - rest) / (limit.trip - rest);
}

export function placeOf(limit: Limit, value: number): number {
  return Math.min(1, Math.max(0, shareOf(limit, value) * edge));
}

function headRoom(limit: Limit, value: number, atMost: boolean): string {
  const left = limit.direction === "above" ? limit.trip - value : value - limit.trip;
  const side = limit.direction === "above" ? "below" : "above";
  const decibels = limit.unit === "W" && value > 0 && limit.trip > 0 && left > 0
    ? 10 * Math.log10(limit.trip / value) : null;
  const beside = decibels !== null && decibels < 20 && !atMost ? ` (${decibels.toFixed(1)} dB)` : "";
  const level = limit.trips ? "its trip" : "its warning";
  if (left <= 0) return left === 0 ? `at ${level}` : `${withUnit(-left, limit.unit)} past ${level}`;
  return `${atMost ? "at least " : ""}${withUnit(left, limit.unit)}${beside} ${side} ${level}`;
}

const noValue: Record<string, string> = {
  "not measurable": "not measurable now",
  unknown: "not known",
};

export function conditionOf(device: Device, limit: Limit): Condition {
  const text = device.values.get(`limits/${limit.id}`) ?? "";
  return ["inside", "warning", "waiting", "tripped", "latched", "resting"].includes(text) ? (text as Condition) : "unknown";
}

/// Limits whose levels mean something now: one that watches only while commissioning is none at other times.
export function limitsNow(device: Device): Limit[] {
  return device.limits.filter((limit) => !(limit.provisional && conditionOf(device, limit) === "resting"));
}

export function describeRung(device: Device, limit: Limit, recent: [number, number] | null): Rung {
  const quantity: Quantity | undefined = device.quantities.get(limit.watch);
  const name = device.nodes.get("measurements")?.properties.get(limit.watch)?.name ?? limit.watch;
  const twins = limitsNow(device).filter((other) => other.watch === limit.watch);
  const twin = twins.length > 1 ? (limit.direction === "above" ? ", upper" : ", lower") : "";
  const condition = conditionOf(device, limit);
  const quality = quantity?.quality ?? "unknown";
  const value = quantity?.value ?? null;
  const sound = quality === "good" || quality === "at the floor" || quality === "above range";
  const measured = value !== null && sound;
  const prefix = quality === "at the floor" ? "at most " : quality === "above range" ? "at least " : "";
  const place = (x: number | null | undefined) => (x === null || x === undefined ? null : placeOf(limit, x));
  const valueText = measured ? prefix + withUnit(value, limit.unit) : (noValue[quality] ?? `no reading: ${quality}`);
  const idle = quality === "not measurable";
  const rests = condition === "resting";
  const room = rests && (measured || !idle) ? `rests: ${device.resting.get(limit.id) || "it doesn't watch now"}`
             : measured ? headRoom(limit, value, quality === "at the floor")
                      : idle ? "exists only with RF" : limit.trips ? "counts as unsafe" : "not watched now";
  const title = name + twin;
  const tripText = withUnit(limit.trip, limit.unit);
  const said = condition === "inside" || rests || (condition === "unknown" && idle) ? "" : `, ${condition}`;
  const bounded = quantity && quantity.low !== null && measured;
  return {
    id: limit.id,
    title,
    condition,
    measured,
    at: measured ? placeOf(limit, value) : null,
    low: bounded ? place(quantity.low) : null,
    high: bounded ? (quantity.high === null || quantity.high >= 1e9 ? (limit.direction === "above" ? 1 : 0) : place(quantity.high)) : null,
    recent: recent ? [placeOf(limit, recent[0]), placeOf(limit, recent[1])].sort((a, b) => a - b) as [number, number] : null,
    warn: place(limit.warn),
    clear: place(limit.clear),
    value: valueText,
    room,
    tripText,
    trips: limit.trips,
    warnText: limit.warn !== null ? withUnit(limit.warn, limit.unit) : "",
    spoken: `${valueText}, ${room}${said}; ${limit.trips ? "trips" : "only warns,"} at ${tripText}`,
    share: measured && !rests ? shareOf(limit, value) : null,
  };
}
