// The last hour, a sample a second, in arrays that never grow; or what dekeyd has kept of a longer time.
import { highOf, lowOf } from "./trends";
import type { Bin } from "../broker/history_pieces";

export const hour = 3600;
const mostSeries = 60;
/// Without a sample for so long the drawn lines break.
const usualGap_s = 4;

export class History {
  private readonly room: number;
  private readonly time: Float64Array;
  private readonly permitted: Int8Array; ///< 1, 0, or −1 where it isn't known
  private readonly series = new Map<string, Float64Array>();
  private start = 0;
  private count = 0;

  constructor(
    room = hour,
    private readonly gapAfter_s = usualGap_s,
  ) {
    this.room = room;
    this.time = new Float64Array(room);
    this.permitted = new Int8Array(room);
  }

  get length(): number {
    return this.count;
  }

  get last(): number | null {
    return this.count ? this.time[(this.start + this.count - 1) % this.room]! : null;
  }

  /// `at`: seconds since 1970 by the viewer's clock; one that isn't later than the last begins anew (a clock set back).
  add(at: number, permitted: boolean | null, values: Map<string, number | null>): void {
    const last = this.last;
    if (last !== null && at <= last) {
      if (last - at < 1) return;
      this.clear();
    } else if (last !== null && at - last > this.gapAfter_s) {
      this.put(last + (at - last) / 2, -1, new Map());
    }
    this.put(at, permitted === null ? -1 : permitted ? 1 : 0, values);
  }

  /// What was measured while this page wasn't there to see it. What it saw itself stays. `shift_s`: from the daemon's clock
  /// to the viewer's.
  fill(bins: Bin[], shift_s: number): void {
    const own = this.samples();
    const seen = (at: number) => {
      const index = this.first(at - 1);
      return index < this.count && this.time_at(index) < at + 1;
    };
    const late = bins
      .filter((bin) => !seen(bin.at + shift_s))
      .map((bin) => ({ at: bin.at + shift_s, permitted: bin.permitted, values: bin.means }));
    if (!late.length) return;
    this.clear();
    for (const one of [...own, ...late].sort((a, b) => a.at - b.at)) this.add(one.at, one.permitted, one.values);
  }

  /// Anew, of bins alone, with their smallest and largest beside each mean.
  replace(bins: Bin[], shift_s: number): void {
    this.clear();
    for (const bin of bins) {
      const values = new Map(bin.means);
      for (const [id, value] of bin.lows) values.set(lowOf(id), value);
      for (const [id, value] of bin.highs) values.set(highOf(id), value);
      this.add(bin.at + shift_s, bin.permitted, values);
    }
  }

  /// Without the breaks.
  private samples(): { at: number; permitted: boolean | null; values: Map<string, number | null> }[] {
    const all = [];
    for (let i = 0; i < this.count; ++i) {
      const index = (this.start + i) % this.room;
      const values = new Map<string, number | null>();
      for (const [id, own] of this.series) if (!Number.isNaN(own[index]!)) values.set(id, own[index]!);
      const permitted = this.permitted[index]!;
      if (permitted < 0 && !values.size) continue;
      all.push({ at: this.time[index]!, permitted: permitted < 0 ? null : permitted === 1, values });
    }
    return all;
  }

  clear(): void {
    this.start = this.count = 0;
    for (const values of this.series.values()) values.fill(NaN);
  }

  /// Index of the first sample at or after `from`.
  first(from: number): number {
    let low = 0;
    let high = this.count;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.time[(this.start + middle) % this.room]! < from) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  times(into: number[]): void {
    into.length = this.count;
    for (let i = 0; i < this.count; ++i) into[i] = this.time[(this.start + i) % this.room]!;
  }

  values(id: string, into: (number | null)[]): void {
    const values = this.series.get(id);
    into.length = this.count;
    for (let i = 0; i < this.count; ++i) {
      const value = values ? values[(this.start + i) % this.room]! : NaN;
      into[i] = Number.isNaN(value) ? null : value;
    }
  }

  permit(index: number): number {
    return this.permitted[(this.start + index) % this.room]!;
  }

  time_at(index: number): number {
    return this.time[(this.start + index) % this.room]!;
  }

  /// Smallest and largest since `from`; null where nothing was measured.
  span(id: string, from: number): [number, number] | null {
    const values = this.series.get(id);
    if (!values) return null;
    let low = Infinity;
    let high = -Infinity;
    for (let i = this.first(from); i < this.count; ++i) {
      const value = values[(this.start + i) % this.room]!;
      if (value < low) low = value;
      if (value > high) high = value;
    }
    return low <= high ? [low, high] : null;
  }

  private put(at: number, permitted: number, values: Map<string, number | null>): void {
    const index = (this.start + this.count) % this.room;
    if (this.count === this.room) this.start = (this.start + 1) % this.room;
    else ++this.count;
    this.time[index] = at;
    this.permitted[index] = permitted;
    for (const own of this.series.values()) own[index] = NaN;
    for (const [id, value] of values) {
      let own = this.series.get(id);
      if (!own) {
        if (this.series.size >= mostSeries) continue;
        own = new Float64Array(this.room).fill(NaN);
        this.series.set(id, own);
      }
      own[index] = value === null ? NaN : value;
    }
  }
}
