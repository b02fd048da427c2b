// Charts one above the other with one x scale, one cursor and one zoom: all that both plots of the page share.
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";

import { el, mark } from "./dom";

export const ink = (name: string) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

const dashes: number[][] = [[], [7, 4], [2, 3]];

export interface Strip {
  id: string;
  title: string;
  series: { label: string; style: 0 | 1 | 2; right?: boolean; band?: boolean }[]; ///< a band: its low and high follow its values
  range(low: number | null, high: number | null): [number, number];
  rightRange?(low: number | null, high: number | null): [number, number];
  height: number;
  times: boolean; ///< the times are named below it
}

export interface StackEvents {
  zoomed(range: [number, number]): void; ///< by the viewer's hand
  whole(): void; ///< the viewer wants no zoom
  moved(self: uPlot): void;
  shade(self: uPlot): void;
  annotate(self: uPlot, index: number): void;
  xText(x: number): string;
}

export interface Drawn {
  plot: uPlot;
  figure: HTMLElement;
  values: HTMLElement[]; ///< of the legend
  extra: HTMLElement; ///< further words of the caption
}

export class Stack {
  readonly drawn: Drawn[] = [];
  private strips: Strip[] = [];
  private range: [number, number] | null = null; ///< as it was set; what comes later and differs is the viewer's

  constructor(
    private readonly body: HTMLElement,
    private readonly key: string,
    private readonly time: boolean,
    private readonly events: StackEvents,
  ) {
    new ResizeObserver(() => this.resize()).observe(body);
  }

  clear(): void {
    for (const one of this.drawn.splice(0)) one.plot.destroy();
    this.body.replaceChildren();
    this.range = null;
  }

  build(strips: Strip[], data: (index: number) => uPlot.AlignedData): void {
    this.clear();
    this.strips = strips;
    strips.forEach((strip, i) => this.drawn.push(this.draw(strip, i, data(i))));
  }

  setRange([min, max]: [number, number], but?: uPlot): void {
    this.range = [min, max];
    for (const one of this.drawn) if (one.plot !== but) one.plot.setScale("x", { min, max });
  }

  setCursor(x: number | null): void {
    for (const one of this.drawn) {
      one.plot.setCursor(x === null ? { left: -10, top: -10 } : { left: one.plot.valToPos(x, "x"), top: 10 }, false);
    }
  }

  resize(): void {
    this.drawn.forEach(({ plot }, i) => {
      const width = plot.root.parentElement!.clientWidth;
      const height = this.strips[i]!.height;
      if (width > 0 && (Math.abs(width - plot.width) > 1 || height !== plot.height)) plot.setSize({ width, height });
    });
  }

  private draw(strip: Strip, index: number, data: uPlot.AlignedData): Drawn {
    const colours = [ink("--curve-a"), ink("--curve-b"), ink("--curve-c")];
    const [soft, rule] = [ink("--soft"), ink("--rule")];
    const caption = el("figcaption", {}, el("span", { class: "name" }, strip.title));
    const values: HTMLElement[] = [];
    const series: uPlot.Series[] = [{}];
    const bands: uPlot.Band[] = [];
    for (const one of strip.series) {
      const [at, scale, colour] = [series.length, one.right ? "r" : "y", colours[one.style]!];
      series.push({ scale, stroke: colour, width: 1.75, dash: dashes[one.style]!, points: { show: false } });
      if (one.band) {
        const edge = { scale, stroke: "transparent", width: 0, points: { show: false } };
        series.push({ ...edge }, { ...edge });
        bands.push({ series: [at + 2, at + 1], fill: `${colour}33` });
      }
      const value = el("output");
      caption.append(
        el(
          "span",
          { class: "curve", "data-style": String(one.style) },
          el("i", { "aria-hidden": "true" }),
          one.label ? `${one.label} ` : "",
          value,
        ),
      );
      values.push(value);
    }
    const extra = el("span", { class: "forecast" });
    caption.append(extra);
    const stage = el("div", { class: "stage" });
    const figure = el("figure", { "data-chart": strip.id }, caption, stage);
    this.body.append(figure);
    const size = Math.round(parseFloat(getComputedStyle(document.documentElement).fontSize) * 0.75);
    const axis = {
      stroke: () => soft,
      font: `${size}px system-ui, sans-serif`,
      grid: { stroke: rule, width: 1 },
      ticks: { show: false },
    };
    const plot = new uPlot(
      {
        width: Math.max(160, stage.clientWidth),
        height: strip.height,
        legend: { show: false },
        padding: [8, 6, strip.times ? 0 : 6, 0],
        cursor: {
          sync: { key: this.key, setSeries: false },
          drag: { x: true, y: false, setScale: true },
          points: { show: false },
          bind: { dblclick: () => () => (this.events.whole(), null) },
        },
        scales: {
          x: { time: this.time, auto: false },
          y: { range: (_plot, low, high) => strip.range(low, high) },
          ...(strip.rightRange
            ? { r: { range: (_plot: uPlot, low: number | null, high: number | null) => strip.rightRange!(low, high) } }
            : {}),
        },
        series,
        bands,
        axes: [
          {
            ...axis,
            size: strip.times ? size * 2 : 0,
            space: size * 6.5,
            values: (_plot, all) => all.map((x) => (strip.times ? this.events.xText(x) : "")),
          },
          {
            ...axis,
            size: size * 3.8,
            space: size * 2.2,
            values: (_plot, all) => all.map((value) => `${+value.toFixed(3)}`),
          },
          // A right axis everywhere keeps the times of all charts above each other.
          {
            ...axis,
            // eslint-disable-next-line @typescript-eslint/no-unsafe-enum-assignment -- the enumeration exists for the compiler alone
            side: 1,
            scale: strip.rightRange ? "r" : "y",
            size: size * 2.8,
            grid: { show: false },
            values: (_plot, all) => all.map((value) => (strip.rightRange ? `${+value.toFixed(2)}` : "")),
          },
        ],
        hooks: {
          drawClear: [(self) => this.events.shade(self)],
          draw: [(self) => this.events.annotate(self, index)],
          setCursor: [(self) => this.events.moved(self)],
          setScale: [
            (self, scale) => {
              if (scale === "x") this.scaled(self);
            },
          ],
        },
      },
      data,
      stage,
    );
    this.touch(plot);
    mark(figure, "aria-label", strip.title);
    return { plot, figure, values, extra };
  }

  /// The one that was dragged leads; the others follow it.
  private scaled(self: uPlot): void {
    const { min, max } = self.scales["x"]!;
    if (!this.range || min === undefined || max === undefined || !this.drawn.length) return;
    const near = (max - min) * 1e-4;
    if (Math.abs(min - this.range[0]) < near && Math.abs(max - this.range[1]) < near) return;
    this.setRange([min, max], self);
    this.events.zoomed([min, max]);
  }

  /// Two fingers zoom and shift; one scrolls the page and points, as everywhere.
  private touch(plot: uPlot): void {
    const fingers = new Map<number, number>();
    let begun: { xs: [number, number] } | null = null;
    const place = (event: PointerEvent) => event.clientX - plot.over.getBoundingClientRect().left;
    const values = (): [number, number] =>
      [...fingers.values()].slice(0, 2).map((left) => plot.posToVal(left, "x")) as [number, number];
    plot.over.addEventListener("pointerdown", (event) => {
      if (event.pointerType !== "touch") return;
      fingers.set(event.pointerId, place(event));
      begun = fingers.size === 2 ? { xs: values() } : null;
    });
    plot.over.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) return;
      fingers.set(event.pointerId, place(event));
      if (!begun || fingers.size !== 2) return;
      const [a, b] = [...fingers.values()] as [number, number];
      const width = plot.over.clientWidth;
      if (Math.abs(a - b) < 8) return;
      // The moments that were touched stay below the fingers.
      const scale = (begun.xs[1] - begun.xs[0]) / (b - a);
      const min = begun.xs[0] - a * scale;
      const max = min + width * scale;
      if (!(max > min)) return;
      this.setRange([min, max]);
      this.events.zoomed([min, max]);
    });
    const lifted = (event: PointerEvent) => {
      fingers.delete(event.pointerId);
      begun = null;
    };
    plot.over.addEventListener("pointerup", lifted);
    plot.over.addEventListener("pointercancel", lifted);
  }
}
