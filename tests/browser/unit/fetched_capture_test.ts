import { expect, test } from "vitest";

import { Fetches } from "@page/broker/fetched_capture";

const part = (name: string, offset: number, size: number, text: string, more = {}) => JSON.stringify({ name, offset, size, text, ...more });

test("parts in their order give the whole", () => {
  const fetches = new Fetches();
  expect(fetches.take(part("a.csv", 0, 9, "abc"))).toBeNull(); // another page's
  expect(fetches.state("a.csv")).toBeNull();
  fetches.start("a.csv");
  expect(fetches.state("a.csv")).toBe(0);
  expect(fetches.take(part("a.csv", 3, 9, "°f\n"))).toBeNull(); // of a run that began before
  expect(fetches.take(part("a.csv", 0, 9, "ab\n"))).toBeNull();
  expect(fetches.take(part("b.csv", 3, 9, "xyz"))).toBeNull();
  expect(fetches.state("a.csv")).toBeCloseTo(1 / 3);
  expect(fetches.take(part("a.csv", 3, 9, "°f\n"))).toBeNull(); // four bytes
  expect(fetches.take(part("a.csv", 7, 9, "h\n"))).toEqual({ name: "a.csv", text: "ab\n°f\nh\n" });
  expect(fetches.state("a.csv")).toBeNull();
});

test("what fails says why; what can't be read is nothing", () => {
  const fetches = new Fetches();
  fetches.start("a.csv");
  for (const payload of ["", "{", "null", "7", "[]", '{"name":"a.csv"}', '{"name":"a.csv","offset":0,"size":1e12,"text":"x"}'])
    expect(fetches.take(payload)).toBeNull();
  expect(fetches.take(part("a.csv", 0, 0, "", { error: "there is no such capture any more" }))).toBeNull();
  expect(fetches.state("a.csv")).toBe("there is no such capture any more");
  fetches.start("a.csv");
  expect(fetches.take(part("a.csv", 0, 0, ""))).toEqual({ name: "a.csv", text: "" });
});
