// A trip's seconds before and after: charts one above the other, the trip in the middle of all of them.
import { html, render } from "lit-html";
import type uPlot from "uplot";

import { beside, captureCharts, inWords, valueAt, type Capture, type CaptureChart } from "../model/capture";
import { ink, Stack, type Strip } from "./chart";
import { captureCsv, fileName } from "../model/csv";
import { el, mark, save, say } from "./dom";
import { t } from "../text/language";
import { markLevel, markMoment, withMarks } from "./chart_marks";
import type { Device } from "../model/model";
import { capital, clock, shown, withUnit } from "../text/figures";

export class CaptureView {
  readonly root = el("dialog", { class: "capture", "aria-labelledby": "capture-title" });
  private readonly at = el("p", { class: "at", role: "status" });
  private readonly body = el("div", {
    class: "charts",
    tabindex: "0",
    role: "group",
    "aria-labelledby": "capture-title",
    "aria-describedby": "capture-help",
  });
  private readonly stack: Stack;
  private capture: Capture | null = null;
  private device = "";
  private title = "";
  private charts: CaptureChart[] = [];
  private cursor = 0;
  private range: [number, number] = [0, 1];

  constructor() {
    this.stack = new Stack(this.body, "capture", false, {
      zoomed: (range) => this.zoomed(range),
      whole: () => this.showSpan(0),
      moved: (self) => this.moved(self),
      shade: (self) => this.shade(self),
      annotate: (self, index) => this.annotate(self, this.charts[index]!),
      xText: (x) => `${+x.toFixed(3)} s`.replace("-", "−"),
    });
    this.root.addEventListener("close", () => this.clear());
    this.body.addEventListener("keydown", (event) => this.keyPressed(event));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  /// `at`: the trip by the viewer's clock, where that is known.
  open(capture: Capture, device: Device, at: number | null, now: number): void {
    this.capture = capture;
    this.device = device.id;
    this.charts = captureCharts(
      capture,
      device.roles.get("forward") ?? "forward",
      device.roles.get("reflected") ?? "reflected",
    );
    this.title = at === null ? t.capture.title : t.capture.titleAt(clock(at, now));
    this.range = this.spanOf(0);
    this.frame();
    this.root.showModal();
    this.draw();
    this.point(0);
    this.body.focus();
  }

  private frame(): void {
    const capture = this.capture;
    if (!capture) return;
    const spans: [string, number][] = [
      [t.capture.all, 0],
      ["2 s", 2],
      ["0.2 s", 0.2],
    ];
    const chosen = (seconds: number) => this.spanOf(seconds).every((end, i) => Math.abs(end - this.range[i]!) < 1e-6);
    render(
      html`<div class="bar"><h2 id="capture-title">${this.title}</h2>
      <fieldset class="windows"><legend class="unseen">${t.capture.span}</legend>${spans.map(
        ([label, seconds]) => html`<label><input type="radio" name="capture-span"
        value=${seconds} .checked=${chosen(seconds)} @change=${() => this.showSpan(seconds)}><span>${label}</span></label>`,
      )}</fieldset>
      <button type="button" class="csv" @click=${() => save(fileName(this.device, "trip", capture.wall), captureCsv(capture))}>${t.capture.csv}</button>
      <button type="button" @click=${() => this.root.close()}>${t.capture.close}</button></div>
      <p class="cause">${capture.cause}</p>${this.at}<p class="unseen" id="capture-help">${t.capture.help}</p>${this.body}
      <p class="note">${t.capture.note(capture.steps)}${capture.lost > 0 ? t.capture.lost(capture.lost) : ""}</p>`,
      this.root,
    );
  }

  private clear(): void {
    this.stack.clear();
    this.capture = null;
  }

  private draw(): void {
    const capture = this.capture;
    if (!capture) return;
    this.stack.build(
      this.charts.map((chart, i) => this.strip(chart, i === 0 || i === this.charts.length - 1)),
      (i) => [capture.t, ...this.charts[i]!.curves.map((curve) => curve.values)] as uPlot.AlignedData,
    );
    this.charts.forEach((chart, i) =>
      mark(this.stack.drawn[i]!.figure, "aria-label", `${chart.title}: ${inWords(capture, chart)}`),
    );
    this.stack.setRange(this.range);
    this.read();
  }

  /// The times stand below the first chart, which is what tripped, and below the last.
  private strip(chart: CaptureChart, times: boolean): Strip {
    return {
      id: chart.id,
      title: chart.title,
      times,
      height: (innerHeight >= 900 ? 132 : 104) + (times ? 24 : 0),
      range: (low, high) => this.scale(chart, low, high),
      series: chart.curves.map((curve, i) => ({
        label: chart.curves.length > 1 ? curve.name : "",
        style: (i % 3) as 0 | 1 | 2,
      })),
    };
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

  private zoomed(range: [number, number]): void {
    this.range = range;
    this.frame();
  }

  private spanOf(seconds: number): [number, number] {
    const times = this.capture!.t;
    const [first, last] = [times[0]!, times[times.length - 1]!];
    const whole: [number, number] = first < last ? [first, last] : [first - 1, last + 1];
    return seconds === 0 ? whole : [Math.max(whole[0], -seconds / 2), Math.min(whole[1], seconds / 2)];
  }

  private showSpan(seconds: number): void {
    if (!this.capture) return;
    this.range = this.spanOf(seconds);
    this.stack.setRange(this.range);
    this.frame();
  }

  private moved(self: uPlot): void {
    const left = self.cursor.left ?? -1;
    if (left >= 0) this.point(self.posToVal(left, "x"), false);
  }

  private point(at: number, draw = true): void {
    this.cursor = at;
    if (draw) this.stack.setCursor(at);
    this.cursor = at;
    this.read();
  }

  private read(): void {
    const capture = this.capture;
    if (!capture) return;
    let permit: boolean | null = null;
    for (const [at, value] of capture.permit) if (at <= this.cursor + 1e-9) permit = value;
    say(
      this.at,
      capital(beside(this.cursor)) + (permit === null ? "" : `: ${permit ? t.capture.permitted : t.capture.inhibited}`),
    );
    this.charts.forEach((chart, i) =>
      chart.curves.forEach((curve, j) => {
        const value = valueAt(capture, curve, this.cursor);
        const place = this.stack.drawn[i]?.values[j];
        if (place) say(place, value === null ? t.capture.notMeasurable : shown(value, curve.unit));
      }),
    );
  }

  private keyPressed(event: KeyboardEvent): void {
    if (event.target !== this.body || !this.capture) return;
    const inside = this.capture.t.filter((one) => one >= this.range[0] && one <= this.range[1]);
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

  private shade(self: uPlot): void {
    const capture = this.capture;
    if (!capture) return;
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
      if (chart.level !== null) markLevel(self, chart.level, t.capture.tripsAt(withUnit(chart.level, chart.unit)));
      if (min <= 0 && max >= 0) markMoment(self, 0);
    });
  }
}
