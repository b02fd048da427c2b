// Which curves are drawn together, from what a device measures.
import type { Device } from "./model";
import { limitsNow } from "./ladder";
import { t } from "../text/language";
import { duration, withUnit } from "../text/figures";

export interface Curve {
  id: string; ///< of the quantity
  label: string;
  unit: string;
  style: 0 | 1 | 2; ///< colour and dash go together, so that colour alone never tells
  low?: string; ///< ids of the ends of its uncertainty in the history
  high?: string;
  right?: boolean; ///< has the right axis
}

export interface Level {
  value: number;
  label: string;
}

export interface Chart {
  id: string;
  title: string;
  unit: string;
  rightUnit: string;
  curves: Curve[];
  levels: Level[];
  atLeast: [number, number]; ///< the scale shows at least this
}

export const lowOf = (id: string) => `${id}<`;
export const highOf = (id: string) => `${id}>`;

/// `thinned`: each curve has the smallest and largest of its time beside it.
export function charts(device: Device, thinned = false): Chart[] {
  const measured = device.nodes.get("measurements")?.properties;
  const banded = (id: string) => ({ low: lowOf(id), high: highOf(id) });
  const role = (name: string) => device.roles.get(name) ?? name;
  const curve = (id: string, style: 0 | 1 | 2, more: Partial<Curve> = {}): Curve[] => {
    const property = measured?.get(id);
    return property
      ? [{ id, label: property.name, unit: property.unit, style, ...(thinned ? banded(id) : {}), ...more }]
      : [];
  };
  const levels = (id: string): Level[] =>
    limitsNow(device)
      .filter((limit) => limit.watch === id)
      .map((limit) => ({
        value: limit.trip,
        label: (limit.trips ? t.trends.tripsAt : t.trends.warnsAt)(withUnit(limit.trip, limit.unit)),
      }));
  const all: Chart[] = [
    {
      id: "heat",
      title: t.trends.temperature,
      unit: "°C",
      rightUnit: "",
      levels: levels(role("heatsink")),
      atLeast: [20, 50],
      curves: [
        ...curve(role("heatsink"), 0),
        ...curve("settling-temperature", 1, { label: t.trends.settles }),
        ...curve(role("ambient"), 2),
      ],
    },
    {
      id: "power",
      title: t.trends.power,
      unit: "W",
      rightUnit: "",
      levels: levels(role("forward")),
      atLeast: [0, 10],
      curves: [...curve(role("forward"), 0), ...curve(role("reflected"), 1)],
    },
    {
      id: "vswr",
      title: t.trends.vswr,
      unit: "",
      rightUnit: "",
      levels: levels("vswr"),
      atLeast: [1, 2.2],
      curves: curve("vswr", 0, banded("vswr")),
    },
    {
      id: "drive",
      title: t.trends.drive,
      unit: "W",
      rightUnit: "dB",
      levels: levels(role("drive")),
      atLeast: [0, 1],
      curves: [...curve(role("drive"), 0), ...curve("compression", 1, { right: true })],
    },
  ];
  return all.filter((chart) => chart.curves.length > 0);
}

/// The scale's ends: what is there, what must be seen, and some air.
export function scaleRange(chart: Chart, low: number | null, high: number | null): [number, number] {
  let from = chart.atLeast[0];
  let to = chart.atLeast[1];
  if (low !== null) from = Math.min(from, low);
  if (high !== null) to = Math.max(to, high);
  for (const level of chart.levels) {
    // A limit far away must not flatten the curve.
    if (level.value <= from + (to - from) * 1.9) to = Math.max(to, level.value * 1.04);
  }
  return [from, from === to ? to + 1 : to];
}

/// What the heat will come to, in words; nothing where it isn't known.
export function forecastWords(device: Device): string {
  const heatsink = device.roles.get("heatsink") ?? "heatsink";
  const limit = limitsNow(device)
    .filter((one) => one.watch === heatsink && one.trips && one.direction === "above")
    .sort((a, b) => a.trip - b.trip)[0];
  const settles = device.quantities.get("settling-temperature");
  const left = device.quantities.get("time-to-limit");
  if (!limit || settles?.quality !== "good" || settles.value === null) return "";
  if (settles.value < limit.trip) return t.trends.settlesBelow(withUnit(limit.trip - settles.value, limit.unit));
  if (left?.quality !== "good" || left.value === null) return "";
  return t.trends.reaches(duration(left.value));
}
