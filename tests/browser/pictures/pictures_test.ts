// Pictures of the page, to be looked at: narrow and wide, light and dark, as it should be and tripped.
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import type { Browser } from "playwright-core";
import { afterAll, beforeAll, expect, test } from "vitest";

import { Broker, openBrowser, openPage, picture, until } from "../stage";
import { StandIn } from "../stand_in";

let browser: Browser;
const broker = new Broker();
let amplifier: StandIn;

beforeAll(async () => {
  await broker.start();
  browser = await openBrowser();
  amplifier = await StandIn.start(broker.port);
  amplifier.run();
});

afterAll(async () => {
  await amplifier?.stop();
  await browser?.close();
  await broker.end();
});

/// Long enough for curves that can be seen.
async function someSeconds(watts: () => number): Promise<void> {
  for (let i = 0; i < 12; ++i) {
    amplifier.quantities["forward"]!.value = watts();
    amplifier.quantities["heatsink"]!.value = 48.3 + i * 0.2;
    await new Promise((resolve) => setTimeout(resolve, 1010));
  }
}

test.skipIf(!process.env["DEKEYD_PICTURES_ONLY"])("one page for the README: tripped", async () => {
  const { page } = await openPage(browser, broker, { width: 1100, height: 1010 });
  await amplifier.event("RF on", "RF on: forward 104 W.");
  await someSeconds(() => 100 + Math.random() * 8);
  await amplifier.event("RF off", "RF off after 4 min 12 s.");
  await amplifier.overheat();
  await until("tripped", async () => (await page.textContent("#word")) === "Tripped");
  mkdirSync(process.env["DEKEYD_PICTURES"]!, { recursive: true });
  await page.screenshot({ path: join(process.env["DEKEYD_PICTURES"]!, "readme.png") });  // what is seen first, no more
}, 300000);

test("normal and tripped, 390 and 1440 px, light and dark", async () => {
  const sizes = [{ width: 390, height: 844 }, { width: 1440, height: 1000 }];
  const views = await Promise.all(sizes.flatMap((size) => [false, true].map(async (dark) =>
    ({ name: `${size.width}-${dark ? "dark" : "light"}`, ...(await openPage(browser, broker, { ...size, dark })) }))));
  await amplifier.event("RF on", "RF on: forward 104 W.");
  await someSeconds(() => 100 + Math.random() * 8);
  for (const view of views) {
    await until("permitted", async () => (await view.page.textContent("#word")) === "Permitted");
    await picture(view.page, `${view.name}-normal`);
  }
  await amplifier.event("RF off", "RF off after 4 min 12 s.");
  await amplifier.overheat();
  await amplifier.capture();
  await new Promise((resolve) => setTimeout(resolve, 3000));
  for (const view of views) {
    await until("tripped", async () => (await view.page.textContent("#word")) === "Tripped");
    await picture(view.page, `${view.name}-tripped`);
    await view.page.locator(".events .seconds").first().click();
    await picture(view.page, `${view.name}-capture`);
    await view.page.keyboard.press("Escape");
    for (const part of await view.page.locator("summary").all()) await part.click();
    await picture(view.page, `${view.name}-details`);
    // Nothing sticks out sideways.
    expect(await view.page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
    expect(view.complaints).toEqual([]);
  }
}, 180000);

test("what must be told at a glance, 390, 1440 and 2560 px, light and dark", async () => {
  const other = await StandIn.start(broker.port, { id: "valley-23cm", name: "Valley link amplifier" });
  const lost = await StandIn.start(broker.port, { id: "attic-70cm", name: "Attic amplifier" });
  other.run();
  try {
    // One page in six guises: six pages at once would starve a small machine's browser.
    const sizes = [{ width: 390, height: 844 }, { width: 1440, height: 900 }, { width: 2560, height: 1440 }];
    const { page, complaints } = await openPage(browser, broker, sizes[1]);
    const scene = async (name: string, hash: string, ready: RegExp, selector = "h1") => {
      await page.evaluate((wanted) => location.replace(wanted), hash);
      await until(name, async () => ready.test((await page.locator(selector).first().textContent()) ?? ""), 60);
      for (const size of sizes) {
        for (const dark of [false, true]) {
          await page.setViewportSize(size);
          await page.emulateMedia({ colorScheme: dark ? "dark" : "light" });
          await page.evaluate(() => new Promise((resolve) => setTimeout(() => requestAnimationFrame(resolve), 1100)));
          await picture(page, `${size.width}-${dark ? "dark" : "light"}-${name}`);
          expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth), `${name}, ${size.width}`).toBeLessThanOrEqual(0);
        }
      }
    };
    const at = `#${amplifier.id}`;
    Object.assign(amplifier, { permit: true, state: "permitted", rf: true, transmitting_s: 12, reason: "Nothing stands against the permit.", causes: [] });
    amplifier.conditions["heatsink"] = "inside";
    for (const [id, value] of [["heatsink", 52], ["forward", 108], ["reflected", 1.2], ["vswr", 1.24], ["current", 8.3]] as const) {
      Object.assign(amplifier.quantities[id]!, { value, span: [value * 0.95, value * 1.05], quality: "good" });
    }
    await amplifier.event("permitted", "Permitted.");
    await scene("transmitting", at, /transmitting 108 W/);
    await scene("wall-transmitting", `#wall/${amplifier.id}`, /transmitting 108 W/);
    await lost.vanish();
    await other.overheat();
    await scene("fleet", "#fleet", /All amplifiers/, ".fleet h1");
    Object.assign(amplifier, { commissioning_left_s: 700, reason: "Commissioning under provisional limits, for another 12 min." });
    await scene("commissioning", at, /Commissioning/);
    Object.assign(amplifier, { commissioning_left_s: null });
    await amplifier.mismatch();
    await amplifier.capture();
    Object.assign(amplifier, { held: "both" });
    await amplifier.event("held", "Held at the amplifier.", { origin: "local" });
    await scene("latched", at, /Latched.*VSWR 2\.45/s);
    await scene("wall-latched", `#wall/${amplifier.id}`, /Latched.*VSWR 2\.45/s);
    await page.emulateMedia({ forcedColors: "active" });
    await scene("forced-colours", at, /Latched/);
    await page.emulateMedia({ forcedColors: "none", media: "print" });
    await scene("print", at, /Latched/);
    await page.emulateMedia({ media: "screen" });
    amplifier.pause();
    await scene("no-news", at, /No news for/);
    expect(complaints).toEqual([]);
    await page.context().close();
  } finally {
    amplifier.run();
    await other.leave(broker.port);
    await lost.leave(broker.port);
  }
}, 600000);
