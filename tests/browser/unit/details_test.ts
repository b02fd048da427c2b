import { beforeEach, expect, test } from "vitest";

import { chainRow, metres, ofToday, totals } from "@page/model/details";
import { Fleet, type Device } from "@page/model/model";

const noon = new Date(2026, 2, 1, 12).getTime();
const now = { steady: 0, wall: noon };
let fleet: Fleet;
let device: Device;

beforeEach(() => {
  fleet = new Fleet();
  fleet.take("homie/5/x/$state", "ready", true, now);
  device = fleet.get("x")!;
});

const put = (topic: string, payload: unknown) =>
  fleet.take(`homie/5/x/${topic}`, typeof payload === "string" ? payload : JSON.stringify(payload), true, now);

// 120 W is 50.79 dBm; less 50.5 dB it is 0.29 dBm; (0.29 - 19.6) dB times -24.4 mV/dB is 0.471 V: by hand.
test("the chain from volts to watts, term by term", () => {
  put("service/plan", { chains: [{ id: "forward", detector: { law: "log", slope_v_per_db: -0.0244, intercept_dbm: 19.6 },
                                   coupling_db: 40, pads_db: 10, cable_db: 0.5, waveform_db: 0, uncertainty_db: 1.04 }] });
  put("measurements/forward", "120");
  put("quality/forward", "good");
  expect(chainRow(device, device.chains[0]!)).toEqual({ name: "forward",
    cells: ["0.471 V", "0.3 dBm", "+40.0 dB", "+10.0 dB", "+0.5 dB", "0 dB", "50.8 dBm", "120 W", "± 1.0 dB"] });
  put("quality/forward", "at the floor");
  expect(chainRow(device, device.chains[0]!).cells[7]).toBe("at most 120 W");
  put("measurements/forward", "");
  put("quality/forward", "bad CRC");
  expect(chainRow(device, device.chains[0]!).cells).toEqual(["–", "–", "+40.0 dB", "+10.0 dB", "+0.5 dB", "0 dB", "–", "bad CRC", "± 1.0 dB"]);
});

// A square law: 1 mW at the detector gives a thousandth of its volts per watt.
test("a diode, and a table", () => {
  put("service/plan", { chains: [{ id: "a", detector: { law: "square", volts_per_watt: 50 }, coupling_db: 30 },
                                 { id: "b", detector: { law: "table", points: 12 }, coupling_db: 30 }] });
  put("measurements/a", "1");
  put("measurements/b", "1");
  expect(chainRow(device, device.chains[0]!).cells[0]).toBe("0.050 V");
  expect(chainRow(device, device.chains[1]!).cells[0]).toBe("by a table of 12 points");
});

test("transmissions of today, newest first, and their sum", () => {
  const one = (start: Date, more: object = {}) => ({ start: start.toISOString(), synchronised: true, length_s: 90, mean_forward_w: 100,
    peak_forward_w: 104, worst_vswr: 1.3, hottest_c: 48.2, energy_wh: 2.5, efficiency_percent: 45, ended: "unkeyed", ...more });
  put("recorder/transmissions", [one(new Date(2026, 1, 28, 23, 59)), one(new Date(2026, 2, 1, 0, 1)), one(new Date(2026, 2, 1, 11), { length_s: 30 }),
                                 one(new Date(1970, 0, 1), { synchronised: false, worst_vswr: null }), { length_s: "x" }]);
  expect(device.transmissions.length).toBe(4);
  const today = ofToday(device, noon);
  expect(today.map((row) => [row.length_s, row.vswr])).toEqual([[90, null], [30, 1.3], [90, 1.3]]);
  expect(totals(today)).toBe("3 transmissions, 3 min 30 s in all, 7.5 Wh.");
  expect(totals([])).toBe("None today.");
  expect(ofToday(device, noon + 86400_000).length).toBe(1);
});

test("captures on the amplifier's disk, as far as the list can be read", () => {
  put("recorder/on-disk", [{ name: "000001-a.csv", wall: "2026-03-01T07:08:09.123Z", cause: "VSWR too high", size: 40960 }, 7, { name: 3 }]);
  expect(device.onDisk.map((one) => [one.name, one.wall, one.cause, one.size])).toEqual([
    ["000001-a.csv", Date.UTC(2026, 2, 1, 7, 8, 9, 123), "VSWR too high", 40960], ["", NaN, "", 0]]);
  put("recorder/on-disk", "no list");
  expect(device.onDisk).toEqual([]);
});

test("exposure is taken whole, or not at all", () => {
  put("service/plan", { exposure: null });
  expect(device.exposure).toBeNull();
  put("service/plan", { exposure: { power_w: 125, uncertainty_db: 0.6, loss_db: 0.4, eirp_w: 2100, gain_dbi: 12, duty_percent: 100, ground_factor: 2.56, formula: "F", caution: "C",
    cases: [{ name: "general public", w_per_m2: 6.3, averaging_s: 1800, edition: "E", distance_m: 8.3, where: "far field" },
            { name: "own limit", w_per_m2: 0, averaging_s: 0, edition: "", distance_m: null, where: "unknown" }] } });
  expect(device.exposure!.cases.map((one) => one.distance_m)).toEqual([8.3, null]);
  expect(device.exposure!.caution).toBe("C");
  expect([device.exposure!.uncertainty_db, device.exposure!.loss_db]).toEqual([0.6, 0.4]);
  expect([metres(8.3), metres(120.2)]).toEqual(["8.3 m", "121 m"]);
});
