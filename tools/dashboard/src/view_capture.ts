// A trip's seconds before and after: charts one above the other, the trip in the middle of all of them.
import uPlot from "uplot";

import { beside, captureCharts, inWords, valueAt, type Capture, type CaptureChart, type CaptureCurve } from "./capture";
import { el, say } from "./dom";
import { markLevel, markMoment, withMarks } from "./marks";
import type { Device } from "./model";
import { clock, withUnit } from "./words";

const dashes: number[][] = [[], [7, 4]];
const spans: [string, number][] = [["All of it", 0], ["2 s", 2], ["0.2 s", 0.2]];

const ink = (name: string) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

interface Drawn {
  plot: uPlot;
  figure: HTMLElement;
  legend: { curve: CaptureCurve; value: HTMLElement }[];
}

export class CaptureView {
  readonly root = el("dialog", { class: "capture", "aria-labelledby": "capture-title" });
  private readonly title = el("h2", { id: "capture-title" });
  private readonly cause = el("p", { class: "cause" });
  private readonly at = el("p", { class: "at", role: "status" });
  private readonly body = el("div", { class: "charts", tabindex: "0", role: "group", "aria-labelledby": "capture-title",
                                      "aria-describedby": "capture-help" });
  private readonly note = el("p", { class: "note" });
  private readonly choices: HTMLInputElement[] = [];
  private readonly close = el("button", { type: "button" }, "Close");
  private capture: Capture | null = null;
  private charts: CaptureChart[] = [];
  private drawn: Drawn[] = [];
  private cursor = 0;
  private range: [number, number] = [0, 1];

  constructor() {
    const choose = el("fieldset", { class: "windows" }, el("legend", { class: "unseen" }, "Time shown"));
    for (const [label, seconds] of spans) {
      const input = el("input", { type: "radio", name: "capture-span", value: String(seconds) });
      input.addEventListener("change", () => this.show_span(seconds));
      this.choices.push(input);
      choose.append(el("label", {}, input, el("span", {}, label)));
    }
    const help = el("p", { class: "unseen", id: "capture-help" },
                    "Left and right arrow move one cursor through all curves, Home goes to the trip; dragging zooms.");
    this.close.addEventListener("click", () => this.root.close());
    this.root.addEventListener("close", () => this.clear());
    this.body.addEventListener("keydown", (event) => this.key_pressed(event));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
    new ResizeObserver(() => this.resize()).observe(this.body);
    this.root.append(el("div", { class: "bar" }, this.title, choose, this.close), this.cause, this.at, help, this.body, this.note);
  }

  /// `at`: the trip by the viewer's clock, where that is known.
  open(capture: Capture, device: Device, at: number | null, now: number): void {
    this.capture = capture;
    this.charts = captureCharts(capture, device.roles.get("forward") ?? "forward", device.roles.get("reflected") ?? "reflected");
    say(this.title, at === null ? "The seconds around the trip" : `The seconds around the trip of ${clock(at, now)}`);
    say(this.cause, capture.cause);
    const lost = capture.lost > 0 ? ` ${capture.lost} decisions are missing.` : "";
    say(this.note, `Thinned from ${capture.steps} decisions: every peak is kept, each to within its drawn step. ` +
                   `All of them are in the amplifier's own capture file.${lost}`);
    this.root.showModal();
    this.draw();
    this.show_span(0);
    this.point(0);
    this.body.focus();
  }

  private clear(): void {
    for (const one of this.drawn) one.plot.destroy();
    this.drawn = [];
    this.body.replaceChildren();
    this.capture = null;
  }

  private draw(): void {
    if (!this.capture) return;
    for (const one of this.drawn) one.plot.destroy();
    this.body.replaceChildren();
    this.drawn = this.charts.map((chart, i) => this.draw_chart(this.capture!, chart, this.has_times(i)));
    this.read();
  }

  private draw_chart(capture: Capture, chart: CaptureChart, times: boolean): Drawn {
    const colours = [ink("--curve-a"), ink("--curve-b")];
    const [soft, rule] = [ink("--soft"), ink("--rule")];
    const caption = el("figcaption", {}, el("span", { class: "name" }, chart.title));
    const legend: Drawn["legend"] = [];
    chart.curves.forEach((curve, i) => {
      const value = el("output");
      const name = chart.curves.length > 1 ? `${curve.name} ` : "";
      caption.append(el("span", { class: "curve", "data-style": String(i) }, el("i", { "aria-hidden": "true" }), name, value));
      legend.push({ curve, value });
    });
    const stage = el("div", { class: "stage" });
    const figure = el("figure", { "data-chart": chart.id, "aria-label": `${chart.title}: ${inWords(capture, chart)}` }, caption, stage);
    this.body.append(figure);
    const axis = { stroke: () => soft, font: "12px system-ui, sans-serif", grid: { stroke: rule, width: 1 }, ticks: { show: false } };
    const plot = new uPlot({
      width: Math.max(200, stage.clientWidth),
      height: this.height(times),
      legend: { show: false },
      padding: [8, 10, times ? 0 : 6, 0],
      cursor: { sync: { key: "capture", setSeries: false }, drag: { x: true, y: false, setScale: true }, points: { show: false },
                bind: { dblclick: () => () => (this.show_span(0), null) } },
      scales: { x: { time: false, auto: false }, y: { range: (_plot, low, high) => this.scale(chart, low, high) } },
      series: [{}, ...chart.curves.map((_curve, i) => ({ stroke: colours[i]!, width: 1.75, dash: dashes[i]!, points: { show: false } }))],
      axes: [
        { ...axis, size: times ? 24 : 0, space: 70, values: (_plot, all) => all.map((t) => (times ? `${+t.toFixed(3)} s`.replace("-", "−") : "")) },
        { ...axis, size: 46, space: 26, values: (_plot, values) => values.map((value) => `${+value.toFixed(3)}`) },
      ],
      hooks: {
        drawClear: [(self) => this.shade(self, capture)],
        draw: [(self) => this.annotate(self, chart)],
        setCursor: [(self) => {
          const left = self.cursor.left ?? -1;
          if (left >= 0) this.point(self.posToVal(left, "x"), false);
        }],
        setScale: [(self, key) => {
          if (key === "x") this.scaled(self);
        }],
      },
    }, [capture.t, ...chart.curves.map((curve) => curve.values)] as uPlot.AlignedData, stage);
    plot.setScale("x", { min: this.range[0], max: this.range[1] });
    return { plot, figure, legend };
  }

  /// The times stand below the first chart, which is what tripped, and below the last.
  private has_times(index: number): boolean {
    return index === 0 || index === this.charts.length - 1;
  }

  private height(times: boolean): number {
    return (innerHeight >= 900 ? 132 : 104) + (times ? 24 : 0);
  }

  private scale(chart: CaptureChart, low: number | null, high: number | null): [number, number] {
    let from = low ?? 0;
    let to = high ?? 1;
    if (chart.unit === "W") from = Math.min(from, 0);
    const near = chart.level !== null && Math.abs(chart.level - (from + to) / 2) <= 2 * (to - from || 1);
    if (near) [from, to] = [Math.min(from, chart.level!), Math.max(to, chart.level!)];
    // A steady value is drawn as one, not as its last digit's noise.
    const air = Math.max((to - from) * 0.08, Math.abs(to) * 0.04 - (to - from) / 2) || 1;
    return [chart.unit === "W" ? Math.max(0, from) : from - air, to + air];
  }

  private ours = false;

  private scaled(self: uPlot): void {
    const { min, max } = self.scales["x"]!;
    if (this.ours || min === undefined || max === undefined) return;
    this.range = [min, max];
    this.ours = true;
    for (const one of this.drawn) if (one.plot !== self) one.plot.setScale("x", { min, max });
    this.ours = false;
    for (const choice of this.choices) choice.checked = this.span_of(Number(choice.value)).every((end, i) => Math.abs(end - this.range[i]!) < 1e-6);
  }

  private span_of(seconds: number): [number, number] {
    const t = this.capture!.t;
    const [first, last] = [t[0]!, t[t.length - 1]!];
    const whole: [number, number] = first < last ? [first, last] : [first - 1, last + 1];
    return seconds === 0 ? whole : [Math.max(whole[0], -seconds / 2), Math.min(whole[1], seconds / 2)];
  }

  private show_span(seconds: number): void {
    if (!this.capture) return;
    const [min, max] = this.range = this.span_of(seconds);
    this.ours = true;
    for (const one of this.drawn) one.plot.setScale("x", { min, max });
    this.ours = false;
    for (const choice of this.choices) choice.checked = Number(choice.value) === seconds;
  }

  private resize(): void {
    this.drawn.forEach((one, i) => {
      const width = one.plot.root.parentElement!.clientWidth;
      const height = this.height(this.has_times(i));
      if (width > 0 && (Math.abs(width - one.plot.width) > 1 || height !== one.plot.height)) one.plot.setSize({ width, height });
    });
  }

  private point(t: number, draw = true): void {
    this.cursor = t;
    if (draw) for (const one of this.drawn) one.plot.setCursor({ left: one.plot.valToPos(t, "x"), top: 10 }, false);
    this.read();
  }

  private read(): void {
    if (!this.capture) return;
    let permit: boolean | null = null;
    for (const [at, value] of this.capture.permit) if (at <= this.cursor + 1e-9) permit = value;
    say(this.at, `${beside(this.cursor)[0]!.toUpperCase()}${beside(this.cursor).slice(1)}` +
                 (permit === null ? "" : permit ? ": permitted" : ": inhibited"));
    for (const one of this.drawn) {
      for (const { curve, value } of one.legend) {
        const number = valueAt(this.capture, curve, this.cursor);
        say(value, number === null ? "not measurable" : withUnit(number, curve.unit));
      }
    }
  }

  private key_pressed(event: KeyboardEvent): void {
    if (event.target !== this.body || !this.capture) return;
    const t = this.capture.t;
    const inside = t.filter((one) => one >= this.range[0] && one <= this.range[1]);
    if (event.key === "Home") {
      event.preventDefault();
      this.point(0);
      return;
    }
    const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (by === undefined || !inside.length) return;
    event.preventDefault();
    let index = inside.findIndex((one) => one >= this.cursor - 1e-9);
    if (index < 0) index = inside.length - 1;
    const next = Math.min(inside.length - 1, Math.max(0, index + by * (event.shiftKey ? 10 : 1)));
    this.point(inside[next]!);
  }

  private shade(self: uPlot, capture: Capture): void {
    const { ctx, bbox } = self;
    const [min, max] = this.range;
    ctx.save();
    ctx.fillStyle = ink("--inhibited");
    capture.permit.forEach(([from, permit], i) => {
      const to = capture.permit[i + 1]?.[0] ?? capture.t[capture.t.length - 1]!;
      if (permit || to < min || from > max) return;
      const left = self.valToPos(Math.max(from, min), "x", true);
      ctx.fillRect(left, bbox.top, Math.max(1, self.valToPos(Math.min(to, max), "x", true) - left), bbox.height);
    });
    ctx.restore();
  }

  private annotate(self: uPlot, chart: CaptureChart): void {
    const [min, max] = this.range;
    withMarks(self, ink("--stop"), () => {
      if (chart.level !== null) markLevel(self, chart.level, `trips at ${withUnit(chart.level, chart.unit)}`);
      if (min <= 0 && max >= 0) markMoment(self, 0);
    });
  }
}
