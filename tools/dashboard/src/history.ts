// The last hour, a sample a second, in arrays that never grow.

export const hour = 3600;
const mostSeries = 40;
/// Without a sample for so long the drawn lines break.
const gapAfter_s = 4;

export class History {
  private readonly room: number;
  private readonly time: Float64Array;
  private readonly permitted: Int8Array; ///< 1, 0, or −1 where it isn't known
  private readonly series = new Map<string, Float64Array>();
  private start = 0;
  private count = 0;

  constructor(room = hour) {
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
    } else if (last !== null && at - last > gapAfter_s) {
      this.put(last + (at - last) / 2, -1, new Map());
    }
    this.put(at, permitted === null ? -1 : permitted ? 1 : 0, values);
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
