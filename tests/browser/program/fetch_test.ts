// A capture that dekeyd keeps on its disk, fetched by the page: it arrives as it lies there.
import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import type { Browser } from "playwright-core";
import { afterAll, beforeAll, expect, test } from "vitest";

import { Broker, openBrowser, openPage, until } from "../stage";
import { Station } from "../station";

const broker = new Broker();
let station: Station;
let browser: Browser;
beforeAll(async () => {
  await broker.start();
  station = await Station.start(broker.port);
  browser = await openBrowser();
}, 120000);
afterAll(async () => {
  await browser?.close();
  await station?.end();
  await broker.end();
});

const sum = (bytes: Buffer) => createHash("sha256").update(bytes).digest("hex");

test("Fetch brings a capture whole: the file saved is the one on the amplifier's disk", async () => {
  const { page, complaints } = await openPage(browser, broker);
  await station.permit();
  await station.transmit();
  await until("RF", async () => (await page.textContent(".facts"))?.startsWith("Transmitting"), 60);
  await station.do("antenna vswr 2.9");
  await until("the trip", async () => (await page.textContent("#word")) === "Latched", 60);

  const part = page.locator("[data-part=captures]");
  await part.locator("summary").click();
  const row = part.locator("tbody tr").filter({ hasText: "VSWR" }).first();
  await until("the capture's row", () => row.isVisible(), 60);
  const name = (await row.locator("th").textContent())!;
  const [download] = await Promise.all([page.waitForEvent("download"), row.getByRole("button", { name: "Fetch" }).click()]);
  const saved = readFileSync((await download.path())!);
  const kept = readFileSync(station.capture(name));
  expect(download.suggestedFilename()).toBe(`hilltop-demo-${name}`);
  // More than one message's worth, so that it had to be put together.
  expect(kept.length).toBeGreaterThan(64 * 1024);
  expect(saved.length).toBe(kept.length);
  expect(sum(saved)).toBe(sum(kept));
  await until("the button again, for another time", () => row.getByRole("button", { name: "Fetch" }).isVisible());
  expect(complaints).toEqual([]);
}, 240000);
