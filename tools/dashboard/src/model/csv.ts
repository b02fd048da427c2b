// Events and a capture as CSV (RFC 4180): a row each, times in UTC, numbers with a point. Pure.
import type { Capture } from "./capture";
import type { Device } from "./model";

export type Cell = string | number | null;

/// A text that a spreadsheet would take for a formula stays a text: events carry what others wrote.
function cell(value: Cell): string {
  if (value === null) return "";
  if (typeof value === "number") return String(value);
  const safe = /^[=+\-@\t\r]/.test(value) ? `'${value}` : value;
  return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

export function csv(rows: Cell[][]): string {
  return rows.map((row) => `${row.map(cell).join(",")}\r\n`).join("");
}

const iso = (wall: number) => (Number.isFinite(wall) ? new Date(wall).toISOString() : "");

export function eventsCsv(device: Device): string {
  return csv([
    ["number", "time", "clock_set", "kind", "severity", "source", "value", "unit", "level", "origin", "text"],
    ...device.happenings.map((one): Cell[] => [
      one.number,
      iso(one.wall),
      one.synchronised ? "yes" : "no",
      one.kind,
      one.severity,
      one.source,
      one.value,
      one.unit,
      one.level,
      one.origin,
      one.text,
    ]),
  ]);
}

export function captureCsv(capture: Capture): string {
  const head = capture.curves.map((curve) => (curve.unit ? `${curve.id}_${curve.unit}` : curve.id));
  let next = 0;
  let permit: number | null = null;
  return csv([
    ["t_s", "permit", ...head],
    ...capture.t.map((at, i): Cell[] => {
      for (; next < capture.permit.length && capture.permit[next]![0] <= at + 1e-9; ++next)
        permit = capture.permit[next]![1] ? 1 : 0;
      return [+at.toFixed(6), permit, ...capture.curves.map((curve) => curve.values[i] ?? null)];
    }),
  ]);
}

export function fileName(device: string, what: string, wall: number): string {
  const when = Number.isFinite(wall) ? new Date(wall).toISOString().slice(0, 19).replaceAll(":", "") : "undated";
  return `${device}-${what}-${when}.csv`;
}
