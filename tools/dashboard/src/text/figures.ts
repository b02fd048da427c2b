// Numbers and times as a person reads them: the same text as dekeyd's own (tests/agree/figures.json).
import { t } from "./language";
import { digitsOfUnit } from "../broker/messages";

/// Digits after the point; significant ones for what spans decades.
function digits(value: number, unit: string): number {
  const size = Math.abs(value);
  switch (digitsOfUnit[unit] ?? "ratio") {
    case "none":
      return 0;
    case "one":
      return 1;
    case "two":
      return 2;
    case "seconds":
      return size < 10 ? 1 : 0;
    case "watts":
      return size > 0 && size < 0.0009995 ? 6 : significant(size);
    case "ratio":
      return size > 0 && size < 0.9995 ? 3 : size < 10 ? 2 : 1;
  }
}

function significant(size: number): number {
  return size >= 99.95 ? 0 : size >= 9.995 ? 1 : size >= 0.9995 ? 2 : 3;
}

function fixed(value: number, afterThePoint: number): string {
  const text = value.toFixed(afterThePoint);
  // "-0.0" would be read as a sign that means something.
  return (/^-[0.]+$/.test(text) ? text.slice(1) : text).replace("-", "−");
}

/// No value is so large; dekeyd writes it where there is no bound.
const unbounded = 1e9;

export function number(value: number, unit: string): string {
  if (!Number.isFinite(value)) return "unknown";
  return Math.abs(value) >= unbounded ? "unbounded" : fixed(value, digits(value, unit));
}

export function withUnit(value: number, unit: string): string {
  if (!unit || !(Math.abs(value) < unbounded)) return number(value, unit);
  if (unit === "W" && value !== 0 && Math.abs(value) < 0.9995) {
    const micro = Math.abs(value) < 0.0009995;
    const scaled = value * (micro ? 1e6 : 1e3);
    return `${fixed(scaled, significant(Math.abs(scaled)))} ${micro ? "µW" : "mW"}`;
  }
  return `${number(value, unit)} ${unit}`;
}

let dbm = false;

/// A choice of the viewer's, for figures that stand alone; sentences keep dekeyd's own text.
export function showDbm(wanted: boolean): void {
  dbm = wanted;
}

export function shown(value: number, unit: string): string {
  const text = withUnit(value, unit);
  return dbm && unit === "W" && value > 0 && value < unbounded
    ? `${text} (${number(10 * Math.log10(value * 1000), "dBm")} dBm)`
    : text;
}

/// "8 s", "4 min 12 s", "3 h 05 min", "2 d 4 h".
export function duration(seconds: number): string {
  if (!Number.isFinite(seconds)) return t.time.unknownSpan;
  const whole = Math.max(0, Math.floor(seconds));
  const pad = (n: number) => String(n).padStart(2, "0");
  if (whole < 60) return `${whole} s`;
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${pad(whole % 60)} s`;
  if (whole < 86400) return `${Math.floor(whole / 3600)} h ${pad(Math.floor((whole % 3600) / 60))} min`;
  return `${Math.floor(whole / 86400)} d ${Math.floor((whole % 86400) / 3600)} h`;
}

/// "14:03:22" in the viewer's own time zone; with the day where it isn't today's.
export function clock(milliseconds: number, now: number): string {
  const at = new Date(milliseconds);
  if (Number.isNaN(at.getTime())) return t.time.unknown;
  const pad = (n: number) => String(n).padStart(2, "0");
  const time = `${pad(at.getHours())}:${pad(at.getMinutes())}:${pad(at.getSeconds())}`;
  if (at.toDateString() === new Date(now).toDateString()) return time;
  return `${at.getFullYear()}-${pad(at.getMonth() + 1)}-${pad(at.getDate())} ${time}`;
}

export function capital(text: string): string {
  return text ? text[0]!.toUpperCase() + text.slice(1) : text;
}
