import { describe, expect, test } from "vitest";

import { beside, captureCharts, captureOf, inWords, readCapture, valueAt, type Capture } from "@page/model/capture";
import { Fleet, type Happening } from "@page/model/model";

const raw = (more: object = {}) => ({
  at_s: 5000, wall: "2026-03-01T07:00:00.000Z", synchronised: true, cause: "Tripped: VSWR 2.41 at or above 2.00.", steps: 751, lost: 0,
  source: "vswr", watch: "vswr", level: 2, direction: "above", permit: [[-10, true], [0, false]], t: [-10, -0.02, 0, 0.02, 5],
  quantities: [
    { id: "vswr", name: "VSWR", unit: "", values: [1.3, 1.31, 2.41, null, null] },
    { id: "forward", name: "Forward power", unit: "W", values: [104, 104, 103, 2, 0.1] },
    { id: "reflected", name: "Reflected power", unit: "W", values: [1.8, 1.9, 17.4, 0.4, 0.1] },
    { id: "drive", name: "Drive", unit: "W", values: [null, null, null, null, null] },
    { id: "heatsink", name: "heatsink", unit: "°C", values: [41, 41, 41, 41, 41] },
  ], ...more });
const capture = (more: object = {}): Capture => readCapture(JSON.stringify(raw(more)))!;
const happening = (at_s: number | null, wall = Date.parse("2026-03-01T07:00:00.000Z")): Happening => ({
  epoch: "a", number: 1, wall, at_s, synchronised: true, kind: "tripped", severity: "alarm", sign: "■", source: "vswr", state: "latched", firstCause: true,
  value: 2.41, unit: "", level: 2, origin: "none", text: "Tripped.", live: true });

describe("what dekeyd published", () => {
  test("is read", () => {
    const one = capture();
    expect(one.t).toEqual([-10, -0.02, 0, 0.02, 5]);
    expect(one.curves[0]).toEqual({ id: "vswr", name: "VSWR", unit: "", values: [1.3, 1.31, 2.41, null, null] });
    expect(one.permit).toEqual([[-10, true], [0, false]]);
  });

  test.each([["no JSON", "{"], ["a list", "[]"], ["no time", JSON.stringify(raw({ at_s: null }))], ["no points", JSON.stringify(raw({ t: [] }))],
             ["time that runs back", JSON.stringify(raw({ t: [0, -1] }))], ["time that is none", JSON.stringify(raw({ t: [0, "x"] }))],
             ["too much", JSON.stringify(raw({ t: Array.from({ length: 5000 }, (_, i) => i) }))]])("%s is no capture", (_name, payload) => {
    expect(readCapture(payload)).toBeNull();
  });

  test("curves that are too short, too long or no numbers are made to fit", () => {
    const one = capture({ quantities: [{ id: "a", values: [1] }, { id: "b", values: Array(99).fill("x") }] });
    expect(one.curves.map((curve) => curve.values)).toEqual([[1, null, null, null, null], Array(5).fill(null)]);
  });

  test("comes by its own topic, and goes with it", () => {
    const fleet = new Fleet();
    const now = { steady: 0, wall: 0 };
    fleet.take("homie/5/x/$state", "ready", true, now);
    fleet.take("homie/5/x/recorder/capture-2", JSON.stringify(raw()), true, now);
    expect(fleet.get("x")!.captures.get("capture-2")!.cause).toContain("VSWR");
    fleet.take("homie/5/x/recorder/capture-2", "", false, now);
    expect(fleet.get("x")!.captures.size).toBe(0);
  });
});

describe("which capture shows what happened", () => {
  const one = capture();
  const wall = one.wall;
  test("its own trip, and another within it", () => {
    expect(captureOf([one], happening(5000))).toBe(one);
    expect(captureOf([one], happening(5003, wall + 3000))).toBe(one);
  });
  test("not one of before or after, of another boot, or without a time", () => {
    expect(captureOf([one], happening(5006, wall + 6000))).toBeUndefined();
    expect(captureOf([one], happening(4980, wall - 20000))).toBeUndefined();
    expect(captureOf([one], happening(5000, wall + 86400_000))).toBeUndefined();
    expect(captureOf([one], happening(null))).toBeUndefined();
  });
});

test("what tripped is drawn first and has its level; forward and reflected share a chart; what was never measured has none", () => {
  const charts = captureCharts(capture(), "forward", "reflected");
  expect(charts.map((chart) => [chart.title, chart.level, chart.curves.length])).toEqual([["VSWR", 2, 1], ["Power", null, 2], ["Heatsink", null, 1]]);
  const reflected = captureCharts(capture({ watch: "reflected", level: 12 }), "forward", "reflected");
  expect(reflected.map((chart) => chart.level)).toEqual([null, 12, null]);
});

test("a value is the newest at or before a time; a gap is a gap", () => {
  const one = capture();
  const at = (t: number) => valueAt(one, one.curves[0]!, t);
  expect([at(-11), at(-10), at(-5), at(0), at(0.01), at(1)]).toEqual([null, 1.3, 1.3, 2.41, 2.41, null]);
});

test("in words", () => {
  const one = capture();
  expect(inWords(one, captureCharts(one, "forward", "reflected")[0]!))
    .toBe("VSWR 2.41 at the trip, between 1.30 and 2.41 in all; it trips at 2.00");
  expect([beside(0), beside(-2.5), beside(0.02)]).toEqual(["at the trip", "2.50 s before", "0.020 s after"]);
});
