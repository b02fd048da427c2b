// What Details shows, in figures: the chain from volts to watts, the transmissions of the day. Pure.
import type { Chain, Device, Transmission } from "./model";
import { t } from "../text/language";
import { duration, number, shown } from "../text/figures";

export interface ChainRow {
  name: string;
  cells: string[]; ///< as the table's columns, after the name
}

/// Worked back from the power: what the detector must give for it.
export function chainRow(device: Device, chain: Chain): ChainRow {
  const name = device.nodes.get("measurements")?.properties.get(chain.id)?.name ?? chain.id;
  const known = device.quantities.get(chain.id);
  const watts = known?.value ?? null;
  const db = (value: number) => (value === 0 ? "0 dB" : `${value > 0 ? "+" : "−"}${Math.abs(value).toFixed(1)} dB`);
  const terms = [chain.coupling, chain.pads, chain.cable, chain.waveform];
  const about = chain.uncertainty === null ? "" : `± ${chain.uncertainty.toFixed(1)} dB`;
  if (watts === null || watts <= 0) {
    return { name, cells: ["–", "–", ...terms.map(db), "–", known?.quality ?? "unknown", about] };
  }
  const line = 10 * Math.log10(watts * 1000);
  const detector = line - terms.reduce((sum, term) => sum + term, 0);
  const volts =
    chain.law === "log" && chain.slope !== null && chain.intercept !== null
      ? chain.slope * (detector - chain.intercept)
      : chain.law === "square" && chain.voltsPerWatt !== null
        ? chain.voltsPerWatt * 10 ** (detector / 10 - 3)
        : null;
  const prefix =
    known!.quality === "at the floor"
      ? `${t.ladder.atMost} `
      : known!.quality === "above range"
        ? `${t.ladder.atLeast} `
        : "";
  return {
    name,
    cells: [
      volts !== null ? `${volts.toFixed(3)} V` : chain.law === "table" ? t.details.byTable(chain.points) : "–",
      `${number(detector, "dBm")} dBm`,
      ...terms.map(db),
      `${number(line, "dBm")} dBm`,
      prefix + shown(watts, "W"),
      about,
    ],
  };
}

/// Those that began today by the viewer's clock, newest first, and those whose day isn't known for want of a set clock.
export function ofToday(device: Device, now: number): Transmission[] {
  const today = new Date(now).toDateString();
  return device.transmissions
    .filter((one) => !one.synchronised || new Date(one.start + device.clockOffset).toDateString() === today)
    .reverse();
}

export function totals(rows: Transmission[]): string {
  if (!rows.length) return t.details.noneToday;
  const sum = (get: (one: Transmission) => number) => rows.reduce((all, one) => all + get(one), 0);
  const count = rows.length === 1 ? t.details.one : t.details.many(rows.length);
  return t.details.sums(count, duration(sum((one) => one.length_s)), sum((one) => one.energy_wh).toFixed(1));
}

export function metres(value: number): string {
  return `${value < 100 ? value.toFixed(1) : Math.ceil(value).toFixed(0)} m`;
}
