import { expect, test } from "vitest";

import { Fleet, type Device } from "@page/model/model";
import { charts, forecastWords, scaleRange } from "@page/model/trends";

function device(measured: string[]): Device {
  const fleet = new Fleet();
  const properties = Object.fromEntries(measured.map((id) => [id, { name: id, unit: "W" }]));
  fleet.take("homie/5/a/$state", "ready", true, { steady: 0, wall: 0 });
  fleet.take("homie/5/a/$description", JSON.stringify({ nodes: { measurements: { properties } } }), true, { steady: 0, wall: 0 });
  return fleet.get("a")!;
}

test("only what is measured is drawn", () => {
  expect(charts(device([]))).toEqual([]);
  expect(charts(device(["forward", "vswr"])).map((chart) => chart.id)).toEqual(["power", "vswr"]);
});

test("a role's own id is followed", () => {
  const one = device(["fwd-power"]);
  one.roles.set("forward", "fwd-power");
  expect(charts(one)[0]!.curves[0]!.id).toBe("fwd-power");
});

test("curves of one chart differ in more than colour", () => {
  for (const chart of charts(device(["heatsink", "ambient", "settling-temperature", "forward", "reflected", "drive", "compression"]))) {
    const styles = chart.curves.map((curve) => curve.style);
    expect(new Set(styles).size).toBe(styles.length);
  }
});

test("the scale holds the curve, what must be seen, and a limit that is near", () => {
  const chart = { id: "", title: "", unit: "", rightUnit: "", curves: [], levels: [{ value: 70, label: "" }], atLeast: [20, 50] as [number, number] };
  expect(scaleRange(chart, null, null)[0]).toBe(20);
  expect(scaleRange(chart, 10, 60)).toEqual([10, 70 * 1.04]);
  expect(scaleRange({ ...chart, levels: [{ value: 5000, label: "" }] }, 21, 48)).toEqual([20, 50]);
});

test("what the heat will come to, only where it is known", () => {
  const one = device(["heatsink", "settling-temperature", "time-to-limit"]);
  const now = { steady: 0, wall: 0 };
  const limit = { id: "heatsink", watch: "heatsink", unit: "°C", direction: "above", trips: true, trip: 70, clear: 55 };
  const fleet = new Fleet();
  fleet.devices.set("a", one);
  fleet.take("homie/5/a/service/plan", JSON.stringify({ limits: [limit] }), true, now);
  const put = (settles: number | null, left: number | null) => {
    for (const [id, value] of [["settling-temperature", settles], ["time-to-limit", left]] as const) {
      fleet.take(`homie/5/a/measurements/${id}`, value === null ? "" : String(value), true, now);
      fleet.take(`homie/5/a/quality/${id}`, value === null ? "unknown" : "good", true, now);
    }
  };
  put(null, null);
  expect(forecastWords(one)).toBe("");
  put(61.5, null);
  expect(forecastWords(one)).toBe("settles 8.5 °C below its trip, if all stays as it is");
  put(83, 252);
  expect(forecastWords(one)).toBe("reaches its trip in about 4 min 12 s, if all stays as it is");
  put(83, null);
  expect(forecastWords(one)).toBe("");
});
