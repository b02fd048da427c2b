// How far is each thing from its limit? Every row is drawn to one common edge, where its limit trips.
import type { Device, Limit, Quantity } from "./model";
import { t, wordFor } from "../text/language";
import { shown, withUnit } from "../text/figures";

/// Where the trip stands in a lane, of its width; beyond it there is room for what is past it.
export const edge = 0.86;

export type Condition = "inside" | "warning" | "waiting" | "tripped" | "latched" | "resting" | "unknown";

export interface Rung {
  id: string;
  title: string;
  condition: Condition;
  measured: boolean;
  idle: boolean; ///< it exists only with RF
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
  const zero = limit.unit === "W" || limit.unit === "A" ? 0 : /vswr/i.test(limit.watch) && limit.unit === "" ? 1 : null;
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
  const decibels =
    limit.unit === "W" && value > 0 && limit.trip > 0 && left > 0 ? 10 * Math.log10(limit.trip / value) : null;
  const beside = decibels !== null && decibels < 20 && !atMost ? ` (${decibels.toFixed(1)} dB)` : "";
  const level = limit.trips ? t.ladder.trip : t.ladder.warning;
  if (left <= 0) return left === 0 ? t.ladder.at(level) : t.ladder.past(withUnit(-left, limit.unit), level);
  const much = `${atMost ? `${t.ladder.atLeast} ` : ""}${withUnit(left, limit.unit)}${beside}`;
  return limit.direction === "above" ? t.ladder.below(much, level) : t.ladder.above(much, level);
}

export function conditionOf(device: Device, limit: Limit): Condition {
  const text = device.values.get(`limits/${limit.id}`) ?? "";
  return ["inside", "warning", "waiting", "tripped", "latched", "resting"].includes(text)
    ? (text as Condition)
    : "unknown";
}

/// It is no limit now: its gate is closed, or it is for commissioning alone. What dekeyd says last counts.
function rests(device: Device, limit: Limit): boolean {
  return conditionOf(device, limit) === "resting" || device.resting.has(limit.id);
}

/// Limits whose levels mean something now. One of which nothing is known stands.
export function limitsNow(device: Device): Limit[] {
  return device.limits.filter((limit) => !rests(device, limit));
}

/// Those that would stand at another moment in service, to be named and no more.
export function limitsAtRest(device: Device): Limit[] {
  return device.limits.filter((limit) => rests(device, limit) && !limit.provisional);
}

/// How much a row is worth looking at: what tripped, what can't be measured and counts as unsafe, then by nearness.
function urgency(rung: Rung): number {
  if (rung.condition === "tripped" || rung.condition === "latched") return 10;
  if (rung.condition === "waiting") return 9;
  if (!rung.measured && !rung.idle) return rung.trips ? 8 : 0;
  return rung.share ?? -1;
}

/// Nearest to its trip first; near each other they keep the order they have, so that noise moves no row.
export function byNearness(rungs: Rung[], before: string[]): Rung[] {
  const same = 0.04;
  const place = (rung: Rung) =>
    before.includes(rung.id) ? before.indexOf(rung.id) : before.length + rungs.indexOf(rung);
  const order = [...rungs].sort((a, b) => place(a) - place(b));
  for (let i = 1; i < order.length; ++i) {
    for (let j = i; j > 0 && urgency(order[j]!) > urgency(order[j - 1]!) + (before.length ? same : 0); --j) {
      [order[j - 1], order[j]] = [order[j]!, order[j - 1]!];
    }
  }
  return order;
}

export function describeRung(device: Device, limit: Limit, recent: [number, number] | null): Rung {
  const quantity: Quantity | undefined = device.quantities.get(limit.watch);
  const name = device.nodes.get("measurements")?.properties.get(limit.watch)?.name ?? limit.watch;
  const twins = limitsNow(device).filter((other) => other.watch === limit.watch);
  const twin = twins.length > 1 ? `, ${limit.direction === "above" ? t.ladder.upper : t.ladder.lower}` : "";
  const condition = conditionOf(device, limit);
  const quality = quantity?.quality ?? "unknown";
  const value = quantity?.value ?? null;
  const sound = quality === "good" || quality === "at the floor" || quality === "above range";
  const measured = value !== null && sound;
  const prefix =
    quality === "at the floor" ? `${t.ladder.atMost} ` : quality === "above range" ? `${t.ladder.atLeast} ` : "";
  const place = (x: number | null | undefined) => (x === null || x === undefined ? null : placeOf(limit, x));
  const missing =
    quality === "not measurable"
      ? t.ladder.notMeasurable
      : quality === "unknown"
        ? t.ladder.notKnown
        : t.ladder.noReading(wordFor(t.quality, quality));
  // A limit may judge an end of the interval: then that is what is compared with its level, and it is said.
  const end = limit.edge === "high" ? quantity?.high : limit.edge === "low" ? quantity?.low : value;
  const judged = end ?? value;
  const toEnd =
    judged === value || judged === null
      ? ""
      : `, ${limit.edge === "high" ? t.ladder.atMost : t.ladder.atLeast} ${shown(judged, limit.unit)}`;
  const valueText = measured ? prefix + shown(value, limit.unit) + toEnd : missing;
  const idle = quality === "not measurable";
  const resting = rests(device, limit);
  const room =
    resting && (measured || !idle)
      ? t.ladder.rests(device.resting.get(limit.id) || t.ladder.restsNow)
      : measured
        ? headRoom(limit, judged!, quality === "at the floor")
        : idle
          ? t.ladder.onlyRf
          : limit.trips
            ? t.ladder.unsafe
            : t.ladder.notWatched;
  const title = name + twin;
  const tripText = withUnit(limit.trip, limit.unit);
  const said =
    condition === "inside" || resting || (condition === "unknown" && idle)
      ? ""
      : `, ${wordFor(t.ladder.condition, condition)}`;
  const bounded = quantity && quantity.low !== null && measured;
  return {
    id: limit.id,
    title,
    condition,
    measured,
    at: measured ? placeOf(limit, value) : null,
    low: bounded ? place(quantity.low) : null,
    high: bounded
      ? quantity.high === null || quantity.high >= 1e9
        ? limit.direction === "above"
          ? 1
          : 0
        : place(quantity.high)
      : null,
    recent: recent
      ? ([placeOf(limit, recent[0]), placeOf(limit, recent[1])].sort((a, b) => a - b) as [number, number])
      : null,
    warn: place(limit.warn),
    clear: place(limit.clear),
    value: valueText,
    room,
    tripText,
    trips: limit.trips,
    warnText: limit.warn !== null ? withUnit(limit.warn, limit.unit) : "",
    idle,
    spoken: `${valueText}, ${room}${said}; ${limit.trips ? t.ladder.tripsAt(tripText) : t.ladder.warnsAt(tripText)}`,
    share: measured && !resting ? shareOf(limit, judged!) : null,
  };
}

/// dekeyd's sentences about the running amplifier: how far to back off, its drive, its cooling. Of old news there are none.
export function adviceOf(device: Device | undefined, fresh: boolean): string {
  return (fresh && device?.values.get("permit/advice")) || "";
}

/// Is the signal clean? dekeyd's sentence, and whether a receiver's measurement warns. Of old news there is none, and none
/// where there is neither RF nor a receiver.
export function signalOf(device: Device | undefined, fresh: boolean): { text: string; warns: boolean } {
  const warning = device?.values.get("signal/warning");
  const says = fresh && device && (device.transmitting !== null || warning !== undefined);
  return { text: (says && device.values.get("signal/clean")) || "", warns: says === true && warning === "true" };
}
