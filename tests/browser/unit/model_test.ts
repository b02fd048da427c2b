import { beforeEach, describe, expect, test } from "vitest";

import { Fleet, keptHappenings, viewersTime, type Moment } from "@page/model/model";

const at = (ms: number): Moment => ({ steady: ms, wall: 1_795_000_000_000 + ms });
const base = "homie/5/hilltop";
const description = JSON.stringify({
  homie: "5.0", version: 7, name: "Hill-top",
  nodes: {
    permit: { name: "Permit", properties: { permit: { datatype: "boolean" }, hold: { datatype: "enum", settable: true } } },
    measurements: { name: "Measured", properties: { forward: { name: "Forward power", datatype: "float", unit: "W" } } },
  },
});
const summary = (more: object = {}) => JSON.stringify({
  wall: new Date(at(0).wall).toISOString(), synchronised: true, sequence: 10, permit: true, state: "permitted", reason: "Nothing.",
  rf: true, values: { forward: 104.2, vswr: null }, span: { forward: [98, 110] }, quality: { vswr: "not measurable" }, causes: [], ...more,
});
const event = (number: number, more: object = {}) => JSON.stringify({
  epoch: "a", number, wall: new Date(at(number * 1000).wall).toISOString(), synchronised: true, kind: "tripped", source: "heatsink",
  state: "tripped", first_cause: true, value: 70.4, unit: "°C", level: 70, origin: "none", text: "Tripped.", ...more,
});

let fleet: Fleet;
const device = () => fleet.get("hilltop")!;

beforeEach(() => {
  fleet = new Fleet();
  fleet.take(`${base}/$state`, "ready", true, at(0));
  fleet.take(`${base}/$description`, description, true, at(0));
});

describe("devices", () => {
  test("one that says whether it permits is known, by its name", () => {
    expect(fleet.known().map((one) => one.name)).toEqual(["Hill-top"]);
    expect(device().nodes.get("permit")!.properties.get("hold")!.settable).toBe(true);
    expect(device().nodes.get("permit")!.properties.get("permit")!.settable).toBe(false);
  });

  test("a Homie device of another kind is none of ours", () => {
    fleet.take("homie/5/lamp/$description", JSON.stringify({ name: "Lamp", nodes: { light: { properties: { on: {} } } } }), true, at(0));
    expect(fleet.known().map((one) => one.id)).toEqual(["hilltop"]);
  });

  test("a deleted description takes the device away", () => {
    fleet.take(`${base}/$description`, "", false, at(1));
    expect(fleet.known()).toEqual([]);
  });

  test("a flood of devices is bounded", () => {
    for (let i = 0; i < 1000; ++i) fleet.take(`homie/5/d${i}/$state`, "ready", true, at(0));
    expect(fleet.devices.size).toBeLessThanOrEqual(64);
  });

  test("a flood of values is bounded", () => {
    for (let i = 0; i < 5000; ++i) {
      fleet.take(`${base}/measurements/q${i}`, "1", false, at(0));
      fleet.take(`${base}/$alert/a${i}`, "1", false, at(0));
    }
    expect(device().values.size).toBeLessThanOrEqual(600);
    expect(device().quantities.size).toBeLessThanOrEqual(600);
    expect(device().alerts.size).toBeLessThanOrEqual(600);
  });
});

describe("news", () => {
  test("a retained summary is known, and no news", () => {
    fleet.take(`${base}/service/summary`, summary(), true, at(0));
    expect(device().permit).toBe(true);
    expect(device().news).toBeNull();
  });

  test("a live one is", () => {
    fleet.take(`${base}/service/summary`, summary(), false, at(500));
    expect(device().news).toEqual(at(500));
    expect(device().sequence).toBe(10);
  });

  test("the same sequence number again is none: the guard hangs", () => {
    fleet.take(`${base}/service/summary`, summary(), false, at(500));
    fleet.take(`${base}/service/summary`, summary(), false, at(1500));
    expect(device().news).toEqual(at(500));
    fleet.take(`${base}/service/summary`, summary({ sequence: 11 }), false, at(2500));
    expect(device().news).toEqual(at(2500));
  });

  test("a pulse is news of the summary that it names, and of no other", () => {
    const pulse = (more: object = {}) => JSON.stringify({ wall: "2026-11-25T12:00:01Z", sequence: 60, summary: 10, ...more });
    const news = () => fleet.get("hilltop")?.news ?? null;
    // Before any summary there is nothing that could be still true.
    fleet.take(`${base}/service/pulse`, pulse(), false, at(0));
    expect(news()).toBeNull();
    fleet.take(`${base}/service/summary`, summary({ sequence: 10 }), true, at(0));
    fleet.take(`${base}/service/pulse`, pulse(), true, at(100));
    fleet.take(`${base}/service/pulse`, pulse({ summary: 9 }), false, at(200));
    fleet.take(`${base}/service/pulse`, pulse({ summary: null }), false, at(300));
    fleet.take(`${base}/service/pulse`, pulse({ sequence: null }), false, at(400));
    fleet.take(`${base}/service/pulse`, "{", false, at(500));
    expect(news()).toBeNull();
    fleet.take(`${base}/service/pulse`, pulse(), false, at(1000));
    expect(news()).toEqual(at(1000));
    fleet.take(`${base}/service/pulse`, pulse(), false, at(2000)); // sent twice
    expect(news()).toEqual(at(1000));
    fleet.take(`${base}/service/pulse`, pulse({ sequence: 61 }), false, at(3000));
    expect(news()).toEqual(at(3000));
    fleet.take(`${base}/service/summary`, summary({ sequence: 70 }), false, at(4000));
    fleet.take(`${base}/service/pulse`, pulse({ sequence: 80 }), false, at(5000)); // of the summary before
    expect(news()).toEqual(at(4000));
  });
  test("a summary without its sequence is none", () => {
    fleet.take(`${base}/service/summary`, summary({ sequence: null }), false, at(500));
    expect(device().news).toBeNull();
  });
});

describe("values", () => {
  test("a summary brings values, intervals and qualities", () => {
    fleet.take(`${base}/service/summary`, summary(), false, at(0));
    expect(device().quantities.get("forward")).toEqual({ value: 104.2, low: 98, high: 110, quality: "good" });
    expect(device().quantities.get("vswr")).toEqual({ value: null, low: null, high: null, quality: "not measurable" });
  });

  test("a property between two summaries counts, and drops an interval that doesn't hold it", () => {
    fleet.take(`${base}/service/summary`, summary(), false, at(0));
    fleet.take(`${base}/measurements/forward`, "105.5", false, at(100));
    expect(device().quantities.get("forward")).toMatchObject({ value: 105.5, low: 98, high: 110 });
    fleet.take(`${base}/measurements/forward`, "12.5", false, at(200));
    expect(device().quantities.get("forward")).toMatchObject({ value: 12.5, low: null, high: null });
  });

  test("an empty payload takes a value away; what is no number is none", () => {
    for (const payload of ["", "NaN", "Infinity", "twelve", " "]) {
      fleet.take(`${base}/measurements/forward`, "100", false, at(0));
      fleet.take(`${base}/measurements/forward`, payload, false, at(1));
      expect(device().quantities.get("forward")!.value).toBeNull();
    }
  });

  test("the permit comes as a property, before the next summary", () => {
    fleet.take(`${base}/service/summary`, summary(), false, at(0));
    fleet.take(`${base}/permit/permit`, "false", false, at(20));
    fleet.take(`${base}/permit/state`, "tripped", false, at(20));
    expect([device().permit, device().state]).toEqual([false, "tripped"]);
    fleet.take(`${base}/permit/permit`, "perhaps", false, at(30));
    expect(device().permit).toBeNull();
  });

  test("an empty string is one zero byte in the convention", () => {
    fleet.take(`${base}/permit/reason`, "\0", false, at(0));
    expect(device().reason).toBe("");
  });

  test("alerts come and go", () => {
    fleet.take(`${base}/$alert/limit-vswr`, "VSWR too high", false, at(0));
    expect([...device().alerts.values()]).toEqual(["VSWR too high"]);
    fleet.take(`${base}/$alert/limit-vswr`, "", false, at(1));
    expect(device().alerts.size).toBe(0);
  });
});

describe("what is malformed changes nothing", () => {
  const bad = ["{", "null", "[]", "12", "\"text\"", "{\"nodes\":4}", "{\"limits\":7}", "x".repeat(300 * 1024)];
  test.each(bad)("%.12s", (payload) => {
    fleet.take(`${base}/service/summary`, summary(), false, at(0));
    const before = { ...device().quantities.get("forward") };
    for (const topic of ["service/plan", "service/recent", "service/sensors"]) fleet.take(`${base}/${topic}`, payload, false, at(1));
    fleet.take("dekeyd/hilltop/event", payload, false, at(1));
    fleet.take("homie/5", payload, false, at(1));
    fleet.take("homie/5/hilltop/a/b/c/d", payload, false, at(1));
    expect(device().quantities.get("forward")).toEqual(before);
    expect(device().happenings).toEqual([]);
  });

  test("a summary of the wrong shape permits nothing", () => {
    fleet.take(`${base}/service/summary`, "{\"permit\":\"yes\",\"state\":7,\"sequence\":\"4\"}", false, at(0));
    expect([device().permit, device().state, device().news]).toEqual([null, "", null]);
  });
});

describe("events", () => {
  test("each once, though delivered at least once", () => {
    expect(fleet.take("dekeyd/hilltop/event", event(1), false, at(0))).toHaveLength(1);
    expect(fleet.take("dekeyd/hilltop/event", event(1), false, at(0))).toHaveLength(0);
    expect(device().happenings).toHaveLength(1);
  });

  test("the retained list fills in what came before; order is that of the numbers", () => {
    fleet.take("dekeyd/hilltop/event", event(3), false, at(0));
    const added = fleet.take(`${base}/service/recent`, `[${event(1)},${event(2)},${event(3)}]`, true, at(0));
    expect(added.map((one) => [one.number, one.live])).toEqual([[1, false], [2, false]]);
    expect(device().happenings.map((one) => one.number)).toEqual([1, 2, 3]);
  });

  test("another epoch comes after, whatever its numbers", () => {
    fleet.take("dekeyd/hilltop/event", event(9), false, at(0));
    fleet.take("dekeyd/hilltop/event", event(1, { epoch: "b" }), false, at(0));
    expect(device().happenings.map((one) => one.number)).toEqual([9, 1]);
  });

  test("a day's events stay bounded, the newest kept", () => {
    for (let i = 1; i <= 5000; ++i) fleet.take("dekeyd/hilltop/event", event(i), false, at(0));
    expect(device().happenings).toHaveLength(keptHappenings);
    expect(device().happenings.at(-1)!.number).toBe(5000);
  });

  test("of an unknown device: none", () => {
    expect(fleet.take("dekeyd/other/event", event(1), false, at(0))).toEqual([]);
  });
});

test("the plan: limits with what is missing as null, roles", () => {
  fleet.take(`${base}/service/plan`, JSON.stringify({
    limits: [{ id: "vswr", name: "VSWR too high", watch: "vswr", unit: "", direction: "above", trip: 2, clear: null, clear_by: "rf off",
               hold_off_s: 1, rearm: "latched" }, { id: "no-trip", trip: "2" },
             { id: "compression", trips: false, trip: null, warn: 3, watch: "compression" }],
    roles: { forward: "fwd", fan: 3 },
  }), true, at(0));
  expect(device().limits).toHaveLength(2);
  expect(device().limits[1]).toMatchObject({ id: "compression", trips: false, trip: 3, warn: null });
  expect(device().limits[0]).toMatchObject({ id: "vswr", trip: 2, clear: null, warn: null, direction: "above", trips: true });
  expect([...device().roles]).toEqual([["forward", "fwd"]]);
});

test("another choice forgets values and events, keeps who it is", () => {
  fleet.take(`${base}/service/summary`, summary(), false, at(0));
  fleet.forgetValues("hilltop");
  expect(device().name).toBe("Hill-top");
  // What its card shows comes on by the summaries of all; the rest would grow old unseen.
  expect([device().permit, device().quantities.size]).toEqual([true, 2]);
  expect([device().values.size, device().alerts.size, device().happenings.length, device().transmissions.length]).toEqual([0, 0, 0, 0]);
});

describe("a boot whose clock nobody set", () => {
  const unset = (number: number, at_s: number, more: object = {}) =>
    event(number, { synchronised: false, at_s, wall: new Date(at(at_s * 1000).wall - 1e10).toISOString(), ...more });
  const told = (...rows: string[]) => {
    fleet.take(`${base}/service/recent`, `[${rows.join()}]`, true, at(0));
    fleet.take(`${base}/service/summary`, summary({ synchronised: false, wall: new Date(at(100_000).wall - 1e10).toISOString() }), false, at(100_000));
    return device().happenings.map((one) => viewersTime(device(), one));
  };

  test("events since the daemon's start are placed by their age", () => {
    expect(told(unset(1, 5, { kind: "started" }), unset(2, 65))).toEqual([at(5000).wall, at(65_000).wall]);
  });

  test("what lies before the start may be another boot's, and is not", () => {
    expect(told(unset(1, 3), unset(2, 5, { kind: "started" }), unset(3, 65))).toEqual([null, at(5000).wall, at(65_000).wall]);
  });

  test("a clock that was stepped in between tells nothing", () => {
    expect(told(unset(1, 5, { wall: new Date(0).toISOString() }), unset(2, 65))).toEqual([null, at(65_000).wall]);
  });
});
