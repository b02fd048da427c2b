import { readFileSync } from "node:fs";
import { expect, test } from "vitest";

import { capital, clock, duration, number, withUnit } from "@page/text/figures";

test("numbers have the digits that dekeyd gives them", () => {
  expect(number(104.26, "W")).toBe("104");
  expect(number(10.96, "W")).toBe("11.0");
  expect(number(1.118, "W")).toBe("1.12");
  expect(number(0.0314, "W")).toBe("0.031");
  expect(number(66.24, "°C")).toBe("66.2");
  expect(number(2.414, "")).toBe("2.41");
  expect(number(27.615, "V")).toBe("27.61");
  expect(number(2349.6, "rpm")).toBe("2350");
});

test("the same text as dekeyd's, row by row", () => {
  const rows = JSON.parse(readFileSync(new URL("../../agree/figures.json", import.meta.url), "utf8")) as [number, string, string][];
  for (const [value, unit, text] of rows) expect(withUnit(value, unit).replace("−", "-")).toBe(text);
});

test("no sign on nothing, no word for what is no number", () => {
  expect(number(-0.01, "°C")).toBe("0.0");
  expect(number(-12.34, "°C")).toBe("−12.3");
  expect(number(NaN, "W")).toBe("unknown");
  expect(number(Infinity, "W")).toBe("unknown");
});

test("units stand behind their number, where there is one", () => {
  expect(withUnit(66.2, "°C")).toBe("66.2 °C");
  expect(withUnit(1.23, "")).toBe("1.23");
});

test("durations", () => {
  expect(duration(0.9)).toBe("0 s");
  expect(duration(59.9)).toBe("59 s");
  expect(duration(252)).toBe("4 min 12 s");
  expect(duration(3 * 3600 + 5 * 60)).toBe("3 h 05 min");
  expect(duration(2 * 86400 + 4 * 3600)).toBe("2 d 4 h");
  expect(duration(-3)).toBe("0 s");
  expect(duration(NaN)).toBe("an unknown time");
});

test("times have their day where it isn't today", () => {
  const noon = new Date(2026, 10, 25, 12, 0, 0).getTime();
  expect(clock(noon - 3600_000, noon)).toBe("11:00:00");
  expect(clock(noon - 86400_000, noon)).toBe("2026-11-24 12:00:00");
  expect(clock(NaN, noon)).toBe("time unknown");
});

test("capitals", () => {
  expect(capital("net power")).toBe("Net power");
  expect(capital("")).toBe("");
});
