// Trends: some charts, one shared cursor, zoom by drag, fingers or the buttons; trips and inhibited times marked.
import { html, render } from "lit-html";
import type uPlot from "uplot";

import { ink, Stack, type Strip } from "./chart";
import { el, mark, say, show } from "./dom";
import type { History } from "../model/history";
import type { Level } from "../broker/history_pieces";
import { t } from "../text/language";
import { markLevel, markMoment, withMarks } from "./chart_marks";
import { viewersTime, type Device } from "../model/model";
import { charts, forecastWords, scaleRange, type Chart } from "../model/trends";
import { clock, duration, number, shown } from "../text/figures";

const windows = [
  ["five", 300],
  ["twenty", 1200],
  ["hour", 3600],
  ["day", 86400],
  ["month", 31 * 86400],
] as const;
const followed_s = 3600; ///< so far back a sample a second is kept

interface Line {
  chart: Chart;
  data: (number | null)[][];
  rows: number[]; ///< of each curve, in data
}

export class TrendsView {
  readonly root = el("section", { class: "trends", "aria-labelledby": "trends-title" });
  private readonly body = el("div", {
    class: "charts",
    tabindex: "0",
    role: "group",
    "aria-labelledby": "trends-title",
    "aria-describedby": "trends-help",
  });
  private readonly at = el("span", { class: "at" });
  private readonly stack: Stack;
  private lines: Line[] = [];
  private key = "";
  private window = 300;
  private zoom: [number, number] | null = null;
  private cursor: number | null = null; ///< seconds; null: now
  private device: Device | undefined;
  private history: History | undefined;

  /// `turned`: another time is to be shown.
  constructor(private readonly turned: () => void) {
    this.stack = new Stack(this.body, "trends", true, {
      zoomed: (range) => this.zoomed(range),
      whole: () => this.follow(),
      moved: (self) => this.moved(self),
      shade: (self) => this.shade(self),
      annotate: (self, index) => this.annotate(self, index),
      xText: (x) => this.timeText(x),
    });
    this.body.addEventListener("keydown", (event) => this.keyPressed(event));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.key = "";
      this.show(this.device, this.history, this.root.hasAttribute("data-stale"));
    });
  }

  /// What is needed of the past for the time that is shown.
  get level(): Level {
    return this.window <= followed_s ? "hour" : this.window <= 86400 ? "day" : "month";
  }

  show(device: Device | undefined, history: History | undefined, stale: boolean): void {
    this.device = device;
    this.history = history;
    mark(this.root, "data-stale", stale ? "yes" : null);
    const found = device && history && history.length > 1 ? charts(device, this.window > followed_s) : [];
    this.frame(found.length > 0);
    const key = device
      ? `${device.id} ${innerWidth >= 1060} ${getComputedStyle(document.documentElement).fontSize} ${JSON.stringify(found)}`
      : "";
    if (key !== this.key) {
      this.key = key;
      this.lines = found.map((chart) => this.line(chart));
      this.stack.build(
        found.map((chart, i) => this.strip(chart, i === found.length - 1)),
        (i) => this.lines[i]!.data as uPlot.AlignedData,
      );
    }
    this.refresh(stale);
  }

  private frame(any: boolean): void {
    render(
      html`<div class="bar"><h2 id="trends-title">${t.trends.title}</h2>${this.at}
      <fieldset class="windows"><legend class="unseen">${t.trends.shown}</legend>${windows.map(
        ([name, seconds]) => html`<label><input type="radio" name="window"
        value=${seconds} .checked=${seconds === this.window} @change=${() => {
          this.window = seconds;
          this.zoom = null;
          this.turned();
        }}><span>${t.trends[name]}</span></label>`,
      )}</fieldset>
      <button type="button" class="whole" ?hidden=${this.zoom === null} @click=${() => this.follow()}>${t.trends.follow}</button></div>
      <p class="unseen" id="trends-help">${t.trends.help}</p><p class="none" ?hidden=${any}>${t.trends.none}</p>${this.body}`,
      this.root,
    );
    show(this.body, any);
  }

  private line(chart: Chart): Line {
    const rows: number[] = [];
    let next = 1;
    for (const curve of chart.curves) {
      rows.push(next);
      next += curve.low ? 3 : 1;
    }
    return { chart, rows, data: Array.from({ length: next }, () => []) };
  }

  private strip(chart: Chart, last: boolean): Strip {
    const right = chart.curves.some((curve) => curve.right);
    return {
      id: chart.id,
      title: chart.title,
      times: last,
      height: (innerWidth >= 1060 ? 150 : 112) + (last ? 24 : 0),
      series: chart.curves.map((curve) => ({
        label: curve.label,
        style: curve.style,
        right: curve.right === true,
        band: curve.low !== undefined,
      })),
      range: (low, high) => scaleRange(chart, low, high),
      ...(right
        ? {
            rightRange: (low: number | null, high: number | null): [number, number] => [
              Math.min(0, low ?? 0),
              Math.max(3, high ?? 0),
            ],
          }
        : {}),
    };
  }

  private timeText(time: number): string {
    if (this.window > 86400) return clock(time * 1000, 0).slice(5, 10);
    const text = clock(time * 1000, time * 1000);
    return this.zoom && this.zoom[1] - this.zoom[0] < 240 ? text : text.slice(0, 5);
  }

  private refresh(stale = false): void {
    const history = this.history;
    if (!history || document.hidden || !this.lines.length) return;
    const now = history.last ?? 0;
    this.lines.forEach(({ chart, data, rows }, i) => {
      history.times(data[0] as number[]);
      chart.curves.forEach((curve, j) => {
        const row = rows[j]!;
        history.values(curve.id, data[row]!);
        if (curve.low) history.values(curve.low, data[row + 1]!);
        if (curve.high) history.values(curve.high, data[row + 2]!);
      });
      this.stack.drawn[i]!.plot.setData(data as uPlot.AlignedData, false);
    });
    this.stack.setRange(this.zoom ?? [now - this.window, now]);
    this.read(stale);
  }

  private zoomed(range: [number, number]): void {
    const first = this.zoom === null;
    this.zoom = range;
    if (first) this.frame(true);
  }

  private follow(): void {
    this.zoom = null;
    this.frame(this.lines.length > 0);
    this.refresh();
  }

  private moved(self: uPlot): void {
    const index = self.cursor.idx;
    const time =
      index === null || index === undefined || (self.cursor.left ?? -1) < 0 ? null : (self.data[0][index] ?? null);
    if (time === this.cursor) return;
    this.cursor = time;
    this.read();
  }

  private keyPressed(event: KeyboardEvent): void {
    if (event.target !== this.body || !this.history?.length || !this.lines.length) return;
    const history = this.history;
    if (event.key === "Escape") {
      this.cursor = null;
      this.stack.setCursor(null);
      this.read();
      return;
    }
    const by = { ArrowLeft: -1, ArrowRight: 1, PageUp: -60, PageDown: 60 }[event.key];
    if (by === undefined) return;
    event.preventDefault();
    const step = (event.shiftKey ? 10 : 1) * by;
    const index = Math.min(history.length - 1, Math.max(0, history.first(this.cursor ?? history.last!) + step));
    const time = history.time_at(index);
    this.stack.setCursor(time);
    this.cursor = time;
    this.read();
  }

  /// The legends' numbers: at the cursor, or now.
  private read(stale = this.root.hasAttribute("data-stale")): void {
    const history = this.history;
    if (!history?.length) return;
    const last = history.last!;
    const index = this.cursor === null ? history.length - 1 : Math.min(history.length - 1, history.first(this.cursor));
    const old = stale || this.window > followed_s; // a thinned time ends some minutes ago
    const shownAt = this.cursor ?? (this.window > followed_s ? last : null);
    say(this.at, shownAt === null ? "" : t.trends.at(clock(shownAt * 1000, Date.now())));
    const when =
      this.cursor !== null
        ? t.time.ago(duration(last - this.cursor))
        : old
          ? clock(last * 1000, last * 1000)
          : t.trends.now;
    this.lines.forEach(({ chart, data, rows }, i) => {
      const drawn = this.stack.drawn[i]!;
      const parts: string[] = [];
      chart.curves.forEach((curve, j) => {
        const row = rows[j]!;
        const value = data[row]![index] ?? null;
        let text = value === null ? "–" : shown(value, curve.unit);
        const low = curve.low ? data[row + 1]![index] : null;
        const high = curve.high ? data[row + 2]![index] : null;
        if (value !== null && typeof low === "number" && typeof high === "number" && high < 1e6)
          text += ` ${t.trends.to(number(low, curve.unit), number(high, curve.unit))}`;
        say(drawn.values[j]!, text);
        parts.push(value === null ? t.trends.notMeasured(curve.label) : `${curve.label} ${text}`);
      });
      const words =
        chart.id === "heat" && this.cursor === null && this.device && !stale ? forecastWords(this.device) : "";
      say(drawn.extra, words);
      if (words) parts.push(words);
      mark(drawn.figure, "aria-label", `${chart.title}, ${when}: ${parts.join(", ")}`);
    });
  }

  /// Behind the curves: the times without permit.
  private shade(self: uPlot): void {
    const history = this.history;
    const x = self.scales["x"]!;
    if (!history || x.min === undefined || x.max === undefined) return;
    const { ctx } = self;
    const { top, height } = self.bbox;
    ctx.save();
    ctx.fillStyle = ink("--inhibited");
    let from: number | null = null;
    const end = history.length;
    for (let i = history.first(x.min); i <= end; ++i) {
      const inhibited = i < end && history.permit(i) === 0 && history.time_at(i) <= x.max;
      if (inhibited && from === null) from = history.time_at(i);
      if (!inhibited && from !== null) {
        const left = self.valToPos(from, "x", true);
        const right = self.valToPos(history.time_at(Math.max(0, i - (i < end ? 0 : 1))), "x", true);
        ctx.fillRect(left, top, Math.max(1, Math.min(right, self.bbox.left + self.bbox.width) - left), height);
        from = null;
        if (i < end && history.time_at(i) > x.max) break;
      }
    }
    ctx.restore();
  }

  /// In front of them: where the limits trip, and when they did.
  private annotate(self: uPlot, index: number): void {
    const x = self.scales["x"]!;
    withMarks(self, ink("--stop"), () => {
      for (const level of this.lines[index]?.chart.levels ?? []) markLevel(self, level.value, level.label);
      for (const time of this.trips()) {
        if (x.min !== undefined && x.max !== undefined && time >= x.min && time <= x.max) markMoment(self, time);
      }
    });
  }

  /// Seconds since 1970 by the viewer's clock.
  private trips(): number[] {
    const device = this.device;
    if (!device) return [];
    return device.happenings
      .filter((one) => one.kind === "tripped")
      .map((one) => viewersTime(device, one))
      .filter((time) => time !== null)
      .map((time) => time / 1000);
  }
}
