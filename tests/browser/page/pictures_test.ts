// Pictures of the page, to be looked at: narrow and wide, light and dark, as it should be and tripped.
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
});

afterAll(async () => {
  await amplifier?.stop();
  await browser?.close();
  await broker.end();
});

/// Some minutes within a second: the page's own clock runs as the test says.
async function aMinuteOrTwo(watts: () => number): Promise<void> {
  for (let i = 0; i < 12; ++i) {
    amplifier.quantities["forward"]!.value = watts();
    amplifier.quantities["heatsink"]!.value = 48.3 + i * 0.2;
    await amplifier.tick();
    await new Promise((resolve) => setTimeout(resolve, 1010));
  }
}

test("normal and tripped, 390 and 1440 px, light and dark", async () => {
  const sizes = [{ width: 390, height: 844 }, { width: 1440, height: 1000 }];
  const views = await Promise.all(sizes.flatMap((size) => [false, true].map(async (dark) =>
    ({ name: `${size.width}-${dark ? "dark" : "light"}`, ...(await openPage(browser, broker, { ...size, dark })) }))));
  await amplifier.event("RF on", "RF on: forward 104 W.");
  await aMinuteOrTwo(() => 100 + Math.random() * 8);
  for (const view of views) {
    await until("permitted", async () => (await view.page.textContent("#word")) === "Permitted");
    await picture(view.page, `${view.name}-normal`);
  }
  await amplifier.event("RF off", "RF off after 4 min 12 s.");
  await amplifier.overheat();
  for (let i = 0; i < 3; ++i) {
    await new Promise((resolve) => setTimeout(resolve, 1000));
    await amplifier.tick();
  }
  for (const view of views) {
    await until("tripped", async () => (await view.page.textContent("#word")) === "Tripped");
    await picture(view.page, `${view.name}-tripped`);
    // Nothing sticks out sideways.
    expect(await view.page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
    expect(view.complaints).toEqual([]);
  }
}, 90000);
