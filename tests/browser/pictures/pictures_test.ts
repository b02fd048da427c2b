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

/// A picture of what is meant: a browser that was starved while it was taken shows old news, and is asked again.
async function taken(shows: () => Promise<boolean>, take: () => Promise<unknown>): Promise<void> {
  for (let tries = 0; tries < 10; ++tries) {
    await until("what the picture is of", shows, 60);
    await take();
    if (await shows()) return;
  }
  throw new Error("the page doesn't keep what the picture is of for as long as it takes");
}

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
  mkdirSync(process.env["DEKEYD_PICTURES"]!, { recursive: true });
  await taken(async () => (await page.textContent("#word")) === "Tripped",
              () => page.screenshot({ path: join(process.env["DEKEYD_PICTURES"]!, "readme.png") }));  // what is seen first, no more
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
      const shows = async () => ready.test((await page.locator(selector).first().textContent()) ?? "");
      await until(name, shows, 60);
      for (const size of sizes) {
        for (const dark of [false, true]) {
          await page.setViewportSize(size);
          await page.emulateMedia({ colorScheme: dark ? "dark" : "light" });
          await page.evaluate(() => new Promise((resolve) => setTimeout(() => requestAnimationFrame(resolve), 1100)));
          await taken(shows, () => picture(page, `${size.width}-${dark ? "dark" : "light"}-${name}`));
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
    amplifier.advice = "Drive 1.5 dB too high for linear 8PSK: 3.0 dB below the 1 dB point, 4.5 dB advised. " +
      "Cooling adequate: settles at 58 °C at this power, 12 K below the trip.";
    amplifier.unclean = true;
    amplifier.clean = "Not clean. Shoulder attenuation 38.5 dB, below 40 dB: received from receiver/shoulders at most 5 s ago. Modulation error ratio 28.0 dB, " +
      "not below 20 dB: received from receiver/mer at most 5 s ago. The drive is too high for linear 8PSK: expect distortion.";
    await amplifier.event("permitted", "Permitted.");
    await scene("transmitting", at, /transmitting 108 W/);
    await scene("wall-transmitting", `#wall/${amplifier.id}`, /transmitting 108 W/);
    // Who comes late finds what dekeyd has kept of the last minutes and hours.
    await amplifier.past(59, 23);
    await page.evaluate((wanted) => location.replace(wanted), at);
    await page.reload();
    const choose = (time: string) => page.locator(".windows label").filter({ hasText: time }).click();
    await until("the trends", () => page.locator(".windows label").first().isVisible());
    await choose("1 hour");
    await scene("opened-late", at, /transmitting 108 W/);
    await choose("1 day");
    await scene("opened-late-day", at, /transmitting 108 W/);
    await choose("5 min");
    await lost.vanish();
    await other.overheat();
    await scene("fleet", "#fleet", /All amplifiers/, ".fleet h1");
    Object.assign(amplifier, { commissioning_left_s: 700, reason: "Commissioning under provisional limits, for another 12 min." });
    await scene("commissioning", at, /Commissioning/);
    Object.assign(amplifier, { commissioning_left_s: null });
    const minutesAgo = (minutes: number) => new Date(Date.now() - minutes * 60000).toISOString();
    Object.assign(amplifier, {
      permit: false, state: "held", rf: false, transmitting_s: null, held: "both",
      reason: "Held at the amplifier: 'work on the antenna, mast unsafe'; released only there.",
      holds: [
        { by: "local", since: minutesAgo(34), synchronised: true, reason: "work on the antenna, mast unsafe", text: "" },
        { by: "remote", since: minutesAgo(3), synchronised: true, reason: "storm within 10 km; lightning detector at the summit counts 14 strokes in five minutes, so wait for half an hour of silence before release", text: "" }],
    });
    Object.assign(amplifier, { unclean: false, clean: "Not transmitting: a number that is received says nothing of this amplifier now." });
    amplifier.quietRf();
    await amplifier.event("held", "Held at the amplifier: 'work on the antenna, mast unsafe'.", { origin: "local" });
    await scene("held-with-reason", at, /^Held/);
    await scene("wall-held-with-reason", `#wall/${amplifier.id}`, /^Held/);
    Object.assign(amplifier, { holds: [] });
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
    await scene("no-news", at, /No message for/);
    expect(complaints).toEqual([]);
    await page.context().close();
  } finally {
    amplifier.run();
    await other.leave(broker.port);
    await lost.leave(broker.port);
  }
}, 900000);
