// What was measured before the page was opened: pieces of bins, as dekeyd leaves them at the broker. Pure.

export interface Bin {
  at: number; ///< its middle, in seconds since 1970 by the daemon's clock
  step: number; ///< its length in seconds
  permitted: boolean | null; ///< all the while, or not; null: not known
  means: Map<string, number | null>;
  lows: Map<string, number | null>;
  highs: Map<string, number | null>;
}

export const levels = ["hour", "day", "month"] as const;
export type Level = (typeof levels)[number];

/// How far back each goes.
export const reach_s: Record<Level, number> = { hour: 3600, day: 86400, month: 31 * 86400 };

const mostPlaces = 100;
const mostBins = 240;
const mostSeries = 24;
const mostDecimals = 6;

type Json = Record<string, unknown>;
const isObject = (value: unknown): value is Json =>
  typeof value === "object" && value !== null && !Array.isArray(value);
const list = (value: unknown): unknown[] => (Array.isArray(value) ? value : []);
const whole = (value: unknown): number | null => (typeof value === "number" && Number.isInteger(value) ? value : null);
/// Zeros at the end of a list are left out.
const at = (values: unknown[], index: number): number | null => (index < values.length ? whole(values[index]) : 0);

/// The bins of a piece; none where it is no piece that can be read.
export function readPiece(payload: string): Bin[] {
  let json: unknown;
  try {
    json = JSON.parse(payload);
  } catch {
    return [];
  }
  if (!isObject(json) || !isObject(json["series"])) return [];
  const [from, step, n] = [whole(json["from"]), whole(json["step"]), whole(json["n"])];
  if (from === null || step === null || n === null || step < 1 || n < 0 || n > mostBins) return [];
  const bins: Bin[] = Array.from({ length: n }, (_, i) => ({
    at: from + (i + 0.5) * step,
    step,
    permitted: null,
    means: new Map<string, number | null>(),
    lows: new Map<string, number | null>(),
    highs: new Map<string, number | null>(),
  }));
  for (const [id, one] of Object.entries(json["series"]).slice(0, mostSeries)) {
    if (!isObject(one)) continue;
    const decimals = whole(one["d"]);
    if (decimals === null || decimals < 0 || decimals > mostDecimals) continue;
    const unit = 10 ** decimals;
    const [means, lows, highs] = [list(one["m"]), list(one["l"]), list(one["h"])];
    let mean = 0;
    bins.forEach((bin, i) => {
      const difference = at(means, i);
      if (difference === null) {
        for (const map of [bin.means, bin.lows, bin.highs]) map.set(id, null);
        return;
      }
      mean += difference;
      bin.means.set(id, mean / unit);
      bin.lows.set(id, (mean - (at(lows, i) ?? 0)) / unit);
      bin.highs.set(id, (mean + (at(highs, i) ?? 0)) / unit);
    });
  }
  for (const bin of bins) {
    const permitted = bin.lows.get("permit") ?? null;
    bin.permitted = permitted === null ? null : permitted >= 1;
    for (const map of [bin.means, bin.lows, bin.highs]) map.delete("permit");
  }
  return bins;
}

/// The pieces of one amplifier, by level and place: a place's newest piece takes that of the one before it.
export class Past {
  private readonly pieces = new Map<Level, Map<string, Bin[]>>();
  private readonly counts = new Map<Level, number>();

  /// `topic`: what stands behind dekeyd/<id>/history/.
  take(topic: string, payload: string): void {
    const [name, place, more] = topic.split("/");
    const level = levels.find((one) => one === name);
    if (!level || !place || more !== undefined) return;
    let own = this.pieces.get(level);
    if (!own) this.pieces.set(level, (own = new Map<string, Bin[]>()));
    if (!payload) own.delete(place);
    else if (own.has(place) || own.size < mostPlaces) own.set(place, readPiece(payload));
    this.counts.set(level, this.count(level) + 1);
  }

  /// Rises with each piece.
  count(level: Level): number {
    return this.counts.get(level) ?? 0;
  }

  /// In their order, as far back as the level goes and none from after `now`, by the daemon's clock; in no order of their
  /// places, and none twice.
  bins(level: Level, now: number): Bin[] {
    const all: Bin[] = [];
    for (const piece of this.pieces.get(level)?.values() ?? []) {
      for (const bin of piece) if (bin.at > now - reach_s[level] && bin.at - bin.step / 2 <= now) all.push(bin);
    }
    return all.sort((a, b) => a.at - b.at).filter((bin, i) => i === 0 || bin.at > all[i - 1]!.at);
  }
}
