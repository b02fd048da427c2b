// What charts have in common in front of their curves: where a limit trips, and when it did.
import type uPlot from "uplot";

/// Clipped to the plot, in one colour; inside `draw` the functions below may be called.
export function withMarks(self: uPlot, colour: string, draw: () => void): void {
  const { ctx, bbox } = self;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.strokeStyle = ctx.fillStyle = colour;
  ctx.lineWidth = devicePixelRatio;
  ctx.textAlign = "left";
  ctx.font = `${11 * devicePixelRatio}px system-ui, sans-serif`;
  draw();
  ctx.restore();
}

/// A dotted line with its words at a value, where the scale shows that value.
export function markLevel(self: uPlot, value: number, label: string): void {
  const { ctx, bbox } = self;
  const pixel = devicePixelRatio;
  const y = self.scales["y"]!;
  if (y.max === undefined || y.min === undefined || value > y.max || value < y.min) return;
  const at = Math.round(self.valToPos(value, "y", true)) + 0.5;
  ctx.setLineDash([pixel, 3 * pixel]);
  ctx.beginPath();
  ctx.moveTo(bbox.left, at);
  ctx.lineTo(bbox.left + bbox.width, at);
  ctx.stroke();
  ctx.setLineDash([]);
  ctx.textBaseline = at - bbox.top < 16 * pixel ? "top" : "bottom";
  ctx.fillText(label, bbox.left + 4 * pixel, at + (ctx.textBaseline === "top" ? 3 : -2) * pixel);
}

/// A line with a block on its top at a moment, in the unit of the x scale.
export function markMoment(self: uPlot, moment: number): void {
  const { ctx, bbox } = self;
  const pixel = devicePixelRatio;
  const at = Math.round(self.valToPos(moment, "x", true)) + 0.5;
  ctx.beginPath();
  ctx.moveTo(at, bbox.top);
  ctx.lineTo(at, bbox.top + bbox.height);
  ctx.stroke();
  ctx.fillRect(at - 3.5 * pixel, bbox.top, 7 * pixel, 7 * pixel);
}
