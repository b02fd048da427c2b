// Trends: some charts, one shared cursor, zoom by drag or by the buttons; trips and inhibited times marked.
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";

import { el, mark, say, show } from "./dom";
import type { History } from "./history";
import { markLevel, markMoment, withMarks } from "./marks";
import { viewersTime, type Device } from "./model";
import { charts, forecastWords, scaleRange, type Chart, type Curve } from "./trends";
import { clock, duration, withUnit } from "./words";

const dashes: number[][] = [[], [7, 4], [2, 3]];
const windows: [string, number][] = [["5 min", 300], ["20 min", 1200], ["1 hour", 3600]];

interface Drawn {
  chart: Chart;
  plot: uPlot;
  times: number[];
  data: (number | null)[][];
  figure: HTMLElement;
  legend: { curve: Curve; value: HTMLElement; index: number }[];
  spoken: HTMLElement;
  forecast: HTMLElement | null;
}

const ink = (name: string) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

export class TrendsView {
  readonly root: HTMLElement;
  private readonly body = el("div", { class: "charts", tabindex: "0", role: "group", "aria-describedby": "trends-help" });
  private readonly none = el("p", { class: "none" }, "Nothing measured yet.");
  private readonly whole = el("button", { type: "button", class: "whole" }, "Follow again");
  private readonly at = el("span", { class: "at" });
  private readonly choices: HTMLInputElement[] = [];
  private drawn: Drawn[] = [];
  private key = "";
  private window = 300;
  private zoomed = false;
  private cursor: number | null = null; ///< seconds; null: now
  private device: Device | undefined;
  private history: History | undefined;
  private colours = { ink: "", soft: "", rule: "", stop: "", series: ["", "", ""], wash: "" };

  constructor() {
    const choose = el("fieldset", { class: "windows" }, el("legend", { class: "unseen" }, "Time shown"));
    for (const [label, seconds] of windows) {
      const input = el("input", { type: "radio", name: "window", value: String(seconds) });
      input.checked = seconds === this.window;
      input.addEventListener("change", () => {
        this.window = seconds;
        this.follow();
      });
      this.choices.push(input);
      choose.append(el("label", {}, input, el("span", {}, label)));
    }
    this.whole.hidden = true;
    this.whole.addEventListener("click", () => this.follow());
    const help = el("p", { class: "unseen", id: "trends-help" },
                    "Left and right arrow move one cursor through all curves; Escape returns to now.");
    this.root = el("section", { class: "trends", "aria-labelledby": "trends-title" },
                   el("div", { class: "bar" }, el("h2", { id: "trends-title" }, "Trends"), this.at, choose, this.whole), help, this.none, this.body);
    this.body.setAttribute("aria-labelledby", "trends-title");
    this.body.addEventListener("keydown", (event) => this.key_pressed(event));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.rebuild());
    new ResizeObserver(() => this.resize()).observe(this.body);
  }

  show(device: Device | undefined, history: History | undefined): void {
    this.device = device;
    this.history = history;
    const found = device && history && history.length > 1 ? charts(device) : [];
    show(this.none, found.length === 0);
    show(this.body, found.length > 0);
    const key = device ? `${device.id} ${JSON.stringify(found)}` : "";
    if (key !== this.key) {
      this.key = key;
      this.build(found);
    }
    this.refresh();
  }

  private build(found: Chart[]): void {
    for (const one of this.drawn) one.plot.destroy();
    this.body.replaceChildren();
    this.colours = {
      ink: ink("--ink"), soft: ink("--soft"), rule: ink("--rule"), stop: ink("--stop"), wash: ink("--inhibited"),
      series: [ink("--curve-a"), ink("--curve-b"), ink("--curve-c")],
    };
    this.drawn = found.map((chart, i) => this.draw(chart, i === found.length - 1));
  }

  private rebuild(): void {
    this.key = "";
    this.show(this.device, this.history);
  }

  private draw(chart: Chart, last: boolean): Drawn {
    const legend: Drawn["legend"] = [];
    const caption = el("figcaption", {}, el("span", { class: "name" }, chart.title));
    const series: uPlot.Series[] = [{}];
    const bands: uPlot.Band[] = [];
    for (const curve of chart.curves) {
      const colour = this.colours.series[curve.style]!;
      const index = series.length;
      const scale = curve.right ? "r" : "y";
      series.push({ label: curve.label, scale, stroke: colour, width: 1.75, dash: dashes[curve.style]!, points: { show: false } });
      if (curve.low) {
        series.push({ scale, stroke: "transparent", width: 0, points: { show: false } },
                    { scale, stroke: "transparent", width: 0, points: { show: false } });
        bands.push({ series: [index + 2, index + 1], fill: `${colour}33` });
      }
      const value = el("output");
      caption.append(el("span", { class: "curve", "data-style": String(curve.style) }, el("i", { "aria-hidden": "true" }), curve.label, " ", value));
      legend.push({ curve, value, index });
    }
    const forecast = chart.id === "heat" ? el("span", { class: "forecast" }) : null;
    if (forecast) caption.append(forecast);
    const spoken = el("p", { class: "unseen" });
    const stage = el("div", { class: "stage" });
    const figure = el("figure", { "data-chart": chart.id }, caption, stage, spoken);
    this.body.append(figure);
    const font = "12px system-ui, sans-serif";
    const axis = { stroke: () => this.colours.soft, font, grid: { stroke: this.colours.rule, width: 1 }, ticks: { show: false } };
    const right = chart.curves.some((curve) => curve.right);
    const plot = new uPlot({
      width: Math.max(200, stage.clientWidth),
      height: this.height(last),
      legend: { show: false },
      padding: [8, 6, last ? 0 : 6, 0],
      cursor: {
        sync: { key: "trends", setSeries: false },
        drag: { x: true, y: false, setScale: true },
        points: { show: false },
        bind: { dblclick: () => () => (this.follow(), null) },
      },
      scales: {
        x: { time: true, auto: false },
        y: { range: (_plot, low, high) => scaleRange(chart, low, high) },
        r: { range: (_plot, low, high) => [Math.min(0, low ?? 0), Math.max(3, high ?? 0)] },
      },
      series,
      bands,
      axes: [
        // Each chart has the lines of the hours, the last one their names.
        { ...axis, size: last ? 24 : 0, space: 80, values: (_plot, times) => times.map((time) => (last ? this.timeText(time) : "")) },
        { ...axis, size: 46, space: 26, values: (_plot, values) => values.map((value) => `${+value.toFixed(3)}`) },
        // A right axis everywhere keeps the times of all charts above each other.
        { ...axis, side: 1, scale: right ? "r" : "y", size: 34, grid: { show: false },
          values: (_plot, values) => values.map((value) => (right ? `${+value.toFixed(2)}` : "")) },
      ],
      hooks: {
        drawClear: [(self) => this.shade(self)],
        draw: [(self) => this.annotate(self, chart)],
        setCursor: [(self) => this.moved(self)],
        setScale: [(self, scale) => {
          if (scale === "x") this.scaled(self);
        }],
      },
    }, [[]], stage);
    return { chart, plot, times: [], data: series.map(() => []), figure, legend, spoken, forecast };
  }

  private timeText(time: number): string {
    const text = clock(time * 1000, time * 1000);
    return this.span() < 240 ? text : text.slice(0, 5);
  }

  private height(last: boolean): number {
    return (innerWidth >= 1060 ? 150 : 112) + (last ? 24 : 0);
  }

  private span(): number {
    const scale = this.drawn[0]?.plot.scales["x"];
    return scale?.max && scale?.min ? scale.max - scale.min : this.window;
  }

  private refresh(): void {
    const history = this.history;
    if (!history || document.hidden || !this.drawn.length) return;
    const now = history.last ?? 0;
    for (const one of this.drawn) {
      const data = one.data;
      history.times(data[0] as number[]);
      for (const { curve, index } of one.legend) {
        history.values(curve.id, data[index]!);
        if (curve.low) history.values(curve.low, data[index + 1]!);
        if (curve.high) history.values(curve.high, data[index + 2]!);
      }
      one.plot.batch(() => {
        one.plot.setData(data as uPlot.AlignedData, false);
        if (this.zoomed) {
          const x = one.plot.scales["x"]!;
          one.plot.setScale("x", { min: x.min!, max: x.max! });
        } else {
          one.plot.setScale("x", { min: now - this.window, max: now });
        }
      });
    }
    this.read();
  }

  private ours = false; ///< the scale changes by our own hand

  private scaled(self: uPlot): void {
    if (this.ours || this.zoomed) return;
    const x = self.scales["x"]!;
    const last = this.history?.last;
    if (x.min === undefined || x.max === undefined || last === null || last === undefined) return;
    if (Math.abs(x.max - last) < 0.5 && Math.abs(x.max - x.min - this.window) < 1.5) return;
    this.zoomed = true;
    show(this.whole, true);
    // The one that was dragged leads; the others follow it.
    const range = { min: x.min, max: x.max };
    this.ours = true;
    for (const one of this.drawn) if (one.plot !== self) one.plot.setScale("x", range);
    this.ours = false;
  }

  private follow(): void {
    this.zoomed = false;
    show(this.whole, false);
    for (const choice of this.choices) choice.checked = Number(choice.value) === this.window;
    this.refresh();
  }

  private resize(): void {
    for (const one of this.drawn) {
      const width = one.plot.root.parentElement!.clientWidth;
      const height = this.height(one === this.drawn[this.drawn.length - 1]);
      if (width > 0 && (Math.abs(width - one.plot.width) > 1 || height !== one.plot.height)) one.plot.setSize({ width, height });
    }
  }

  private moved(self: uPlot): void {
    const index = self.cursor.idx;
    const time = index === null || index === undefined || (self.cursor.left ?? -1) < 0 ? null : (self.data[0]![index] ?? null);
    if (time === this.cursor) return;
    this.cursor = time;
    this.read();
  }

  private key_pressed(event: KeyboardEvent): void {
    if (event.target !== this.body || !this.history?.length || !this.drawn.length) return;
    const history = this.history;
    if (event.key === "Escape") {
      this.cursor = null;
      for (const one of this.drawn) one.plot.setCursor({ left: -10, top: -10 }, false);
      this.read();
      return;
    }
    const by = { ArrowLeft: -1, ArrowRight: 1, PageUp: -60, PageDown: 60 }[event.key];
    if (by === undefined) return;
    event.preventDefault();
    const from = this.cursor ?? history.last!;
    const step = (event.shiftKey ? 10 : 1) * by;
    const index = Math.min(history.length - 1, Math.max(0, history.first(from) + step));
    const time = history.time_at(index);
    for (const one of this.drawn) one.plot.setCursor({ left: one.plot.valToPos(time, "x"), top: 10 }, false);
    this.cursor = time;
    this.read();
  }

  /// The legends' numbers: at the cursor, or now.
  private read(): void {
    const history = this.history;
    if (!history?.length) return;
    const last = history.last!;
    const index = this.cursor === null ? history.length - 1 : Math.min(history.length - 1, history.first(this.cursor));
    say(this.at, this.cursor === null ? "" : `at ${clock(this.cursor * 1000, last * 1000)}`);
    for (const one of this.drawn) {
      const parts: string[] = [];
      for (const { curve, value, index: row } of one.legend) {
        const number = one.data[row]![index] ?? null;
        let text = number === null ? "–" : withUnit(number, curve.unit);
        const low = curve.low ? one.data[row + 1]![index] : null;
        const high = curve.high ? one.data[row + 2]![index] : null;
        if (number !== null && typeof low === "number" && typeof high === "number" && high < 1e6) {
          text += ` (${withUnit(low, "")} to ${withUnit(high, "")})`;
        }
        say(value, text);
        parts.push(`${curve.label} ${number === null ? "not measured" : text}`);
      }
      const words = one.forecast && this.cursor === null && this.device ? forecastWords(this.device) : "";
      if (one.forecast) say(one.forecast, words);
      if (words) parts.push(words);
      const when = this.cursor === null ? "now" : `${duration(last - this.cursor)} ago`;
      mark(one.figure, "aria-label", `${one.chart.title}, ${when}: ${parts.join(", ")}`);
    }
  }

  /// Behind the curves: the times without permit.
  private shade(self: uPlot): void {
    const history = this.history;
    const x = self.scales["x"]!;
    if (!history || x.min === undefined || x.max === undefined) return;
    const { ctx } = self;
    const { top, height } = self.bbox;
    ctx.save();
    ctx.fillStyle = this.colours.wash;
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
  private annotate(self: uPlot, chart: Chart): void {
    const x = self.scales["x"]!;
    withMarks(self, this.colours.stop, () => {
      for (const level of chart.levels) markLevel(self, level.value, level.label);
      for (const time of this.trips()) {
        if (x.min !== undefined && x.max !== undefined && time >= x.min && time <= x.max) markMoment(self, time);
      }
    });
  }

  /// Seconds since 1970 by the viewer's clock.
  private trips(): number[] {
    const device = this.device;
    if (!device) return [];
    return device.happenings.filter((one) => one.kind === "tripped").map((one) => viewersTime(device, one))
      .filter((time) => time !== null).map((time) => time / 1000);
  }
}
