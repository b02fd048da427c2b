// What the page must tell from the other room, each seen in Chromium: limits that stand, all that stands against the
// permit, how old the picture is, one second at ten feet, a deliberate hold, all amplifiers, every reader, incidents.
import { execFileSync } from "node:child_process";
import { chmodSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, expect, test } from "vitest";

import { Broker, openBrowser, openPage, until, type View } from "../stage";
import { StandIn } from "../stand_in";

let browser: Browser;
let broker: Broker;
const amplifiers: StandIn[] = [];
let open: { page: Page; complaints: string[] }[] = [];
let expected: RegExp | null = null; ///< a complaint that the test itself brings about

beforeAll(async () => {
  browser = await openBrowser();
  broker = new Broker();
  await broker.start();
});

afterEach(async () => {
  const complaints = open.flatMap((one) => one.complaints).filter((one) => !expected?.test(one));
  expected = null;
  for (const one of open) await one.page.context().close();
  open = [];
  if (!broker.running) await broker.start();
  for (const one of amplifiers.splice(0)) await one.leave(broker.port);
  expect(complaints).toEqual([]);
});

afterAll(async () => {
  await browser?.close();
  await broker?.end();
});

async function amplifier(options: Parameters<typeof StandIn.start>[1] = {}): Promise<StandIn> {
  const one = await StandIn.start(broker.port, options);
  amplifiers.push(one);
  one.run();
  return one;
}

async function view(options: View = {}, from = broker): Promise<Page> {
  const one = await openPage(browser, from, options);
  open.push(one);
  return one.page;
}

const comes = (page: Page, text: string | RegExp, selector = "#word", seconds = 12) =>
  until(`"${text}" in ${selector}`, async () => {
    const all = await page.locator(selector).allTextContents();
    return all.some((found) => (typeof text === "string" ? found === text : text.test(found)));
  }, seconds);

// ---- only what stands is shown as such ---------------------------------------------------------------------------------

test("a limit that rests is no row of the ladder: it is named below, with why", async () => {
  const one = await amplifier();
  Object.assign(one.resting, { fan: "gate closed" });
  one.conditions["fan"] = "resting";
  const page = await view();
  await comes(page, "Permitted");
  await until("the others", async () => (await page.locator(".rung").count()) === 8);
  expect(await page.locator(".rung .title").allTextContents()).not.toContain("Fan");
  await comes(page, /Fan.*gate closed/s, ".resting");
});

test("commissioning is said in the banner, and never looks like service", async () => {
  const one = await amplifier();
  Object.assign(one, { commissioning_left_s: 700, reason: "Commissioning under provisional limits, for another 12 min." });
  const page = await view();
  await comes(page, "Commissioning");
  expect(await page.locator(".permit").getAttribute("data-tone")).toBe("wait");
  await comes(page, /provisional limits/, "#answer");
  await comes(page, /11 min 40 s left/, "#number");
});

test("a proof test is said in the banner: it isn't a permit, whatever the line does", async () => {
  const one = await amplifier();
  Object.assign(one, { permit: false, rf: false, state: "held", held: "local", transmitting_s: null,
                       proof: { phase: "line", text: "Proof test: the line is driven to permit and back." },
                       reason: "Proof test: the line is driven to permit and back." });
  const page = await view();
  await comes(page, "Proof test");
  expect(await page.locator(".permit").getAttribute("data-contact")).toBe("unknown");
  await comes(page, /must not transmit.*driven to permit and back/, "#answer");
});

test("all that stands against the permit is listed: what, who, since when", async () => {
  const one = await amplifier();
  await one.mismatch();
  one.held = "both";
  await one.event("held", "Held at the amplifier.", { origin: "local" });
  await one.tick();
  const page = await view();
  await comes(page, "Latched");
  const items = page.locator(".standing li");
  await until("five things", async () => (await items.count()) === 5);
  const texts = await items.allTextContents();
  expect(texts[0]).toMatch(/VSWR too high 2\.45 at or above 2\.00.*a limit.*for 1\d s.*reset/s);
  expect(texts[1]).toMatch(/Reflected power too high.*a limit.*for 1\d s/s);
  expect(texts[2]).toMatch(/Air at the intake bad CRC.*a sensor.*for \d s/s);
  expect(texts[3]).toMatch(/Held at the amplifier.*an operator.*only an operator there releases it/s);
  expect(texts[4]).toMatch(/Held over the network/);
});

// ---- stale is stale ----------------------------------------------------------------------------------------------------

test("the time of the last word is shown, and stale is stale everywhere", async () => {
  const one = await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  await comes(page, /^as of \d\d:\d\d:\d\d$/, ".asof");
  await until("curves", async () => (await page.locator(".trends figure").count()) === 4);
  one.pause();
  await comes(page, /^No message for/);
  const asOf = await page.textContent(".asof");
  await new Promise((resolve) => setTimeout(resolve, 2200));
  expect(await page.textContent(".asof")).toBe(asOf);
  for (const part of [".trends .stage", ".events"]) {
    expect(Number(await page.locator(part).first().evaluate((element) => getComputedStyle(element).opacity)), part).toBeLessThan(0.7);
  }
  expect(await page.locator(".trends").getAttribute("data-stale")).toBe("yes");
});

test("when scripting stops, style alone marks the picture as old", async () => {
  await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  const shown = () => page.evaluate(() => Number(getComputedStyle(document.querySelector(".halted")!).opacity));
  await new Promise((resolve) => setTimeout(resolve, 6500));
  expect(await shown()).toBe(0);
  // Nothing of the page's own runs from here on: no timer, no message.
  await page.evaluate(() => {
    window.setTimeout = (() => 0) as unknown as typeof window.setTimeout;
    window.setInterval = (() => 0) as unknown as typeof window.setInterval;
    for (let i = 1; i < 10_000; ++i) clearTimeout(i);
  });
  await until("the mark of an old picture", async () => (await shown()) === 1, 15);
  await comes(page, /stands still/, ".halted");
  expect(await page.textContent("#word")).toBe("Permitted");
});

test("a page that fails says so, and shows no old picture", async () => {
  await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  expected = /broken on purpose/;
  await page.evaluate(() => setTimeout(() => { throw new Error("broken on purpose"); }));
  await comes(page, /This page has failed/, "h1");
  expect(await page.locator(".permit, .rung, canvas").count()).toBe(0);
  expect(await page.textContent("#page")).toContain("broken on purpose");
});

// ---- one second at ten feet --------------------------------------------------------------------------------------------

/// Of what is painted there, by WCAG 2.2's formula (its "relative luminance", from memory).
function luminance(colour: string): number {
  const [r, g, b] = colour.match(/[\d.]+/g)!.map(Number).map((c) => c / 255).map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r! + 0.7152 * g! + 0.0722 * b!;
}

test.each([false, true])("idle, on the air, tripped: the width of the screen, in colours of different luminance (dark: %s)", async (dark) => {
  const one = await amplifier();
  Object.assign(one, { rf: false, transmitting_s: null });
  const page = await view({ dark });
  const state = () => page.evaluate(() => {
    const band = document.querySelector(".permit")!;
    return { colour: getComputedStyle(band).backgroundColor, tone: band.getAttribute("data-tone"), width: band.getBoundingClientRect().width,
             room: document.documentElement.clientWidth };
  });
  const tone = (wanted: string) => until(wanted, async () => (await state()).tone === wanted);
  await tone("go");
  const idle = await state();
  expect(idle.width).toBe(idle.room);
  Object.assign(one, { rf: true, transmitting_s: 3 });
  await tone("air");
  const air = await state();
  await comes(page, /transmitting 104 W/, "#number");
  await one.overheat();
  await tone("stop");
  const stop = await state();
  await comes(page, "Heatsink 70.4 °C", "#number");
  const all = [idle, air, stop].map((each) => luminance(each.colour)).sort((a, b) => a - b);
  for (let i = 1; i < 3; ++i) expect((all[i]! + 0.05) / (all[i - 1]! + 0.05)).toBeGreaterThan(1.9);
});

test("the cause and its number are in the headline, and stay when RF is gone", async () => {
  const one = await amplifier();
  await one.mismatch();
  const page = await view();
  await comes(page, /^Latched.*VSWR 2\.45$/s, "h1");
  expect(await page.title()).toMatch(/^Latched: VSWR 2\.45 · /);
});

test("rows are sorted by nearness to their trip", async () => {
  const one = await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  const first = () => page.locator(".rung .title").first().textContent();
  await until("forward power, the nearest", async () => (await first()) === "Forward power");
  one.quantities["heatsink"]!.value = 69;
  one.quantities["heatsink"]!.span = [68.5, 69.5];
  await until("the heatsink, the nearest now", async () => (await first()) === "Heatsink");
});

test.each([1440, 2560])("#wall fills %s px, and reads at ten feet", async (width) => {
  const one = await amplifier();
  await one.overheat();
  const page = await view({ width, height: Math.round((width * 9) / 16) });
  await page.goto(`${broker.address}#wall`);
  await page.reload();
  await comes(page, "Tripped");
  const sizes = await page.evaluate(() => ({
    word: parseFloat(getComputedStyle(document.querySelector("#word")!).fontSize), over: document.documentElement.scrollHeight - innerHeight,
    side: document.documentElement.scrollWidth - innerWidth, text: parseFloat(getComputedStyle(document.querySelector(".rung .title")!).fontSize) }));
  expect(sizes.word).toBeGreaterThan(width / 18);
  expect(sizes.text).toBeGreaterThan(width / 80);
  expect(sizes.over).toBeLessThanOrEqual(0);
  expect(sizes.side).toBeLessThanOrEqual(0);
});

// ---- hold --------------------------------------------------------------------------------------------------------------

const keep = 850; // ms: more than the press takes, less than a second

test("a brush of the thumb doesn't hold; press and keep does, by mouse", async () => {
  const one = await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  const hold = page.getByRole("button", { name: "Hold" });
  await hold.click();
  await comes(page, /Keep it pressed/, ".outcome");
  await new Promise((resolve) => setTimeout(resolve, 900));
  expect(one.commands).toEqual([]);
  await hold.hover();
  await page.mouse.down();
  await new Promise((resolve) => setTimeout(resolve, keep));
  await page.mouse.up();
  await comes(page, "Held");
  expect(one.commands.length).toBe(1);
  await comes(page, /only an operator at the amplifier/i, ".undoing");
});

test("press and keep, by key and by touch; a key's own repeats don't hold twice", async () => {
  const one = await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  const hold = page.getByRole("button", { name: "Hold" });
  await hold.focus();
  await page.keyboard.press("Enter");
  await page.keyboard.press(" ");
  await new Promise((resolve) => setTimeout(resolve, 900));
  expect(one.commands).toEqual([]);
  await page.keyboard.down(" ");
  await new Promise((resolve) => setTimeout(resolve, keep));
  await page.keyboard.down(" ");
  await page.keyboard.up(" ");
  await comes(page, "Held");
  expect(one.commands.length).toBe(1);
  Object.assign(one, { permit: true, state: "permitted", held: "none", reason: "Nothing stands against the permit." });
  await comes(page, "Permitted");
  const session = await page.context().newCDPSession(page);
  const box = (await hold.boundingBox())!;
  const point = { x: box.x + box.width / 2, y: box.y + box.height / 2 };
  await session.send("Input.dispatchTouchEvent", { type: "touchStart", touchPoints: [point] });
  await new Promise((resolve) => setTimeout(resolve, keep));
  await session.send("Input.dispatchTouchEvent", { type: "touchEnd", touchPoints: [] });
  await comes(page, "Held");
  expect(one.commands.length).toBe(2);
});

test("no button where the description has no hold; a question that nobody answers closes", async () => {
  const one = await amplifier({ settable: ["reset"] });
  const page = await view();
  await comes(page, "Permitted");
  expect(await page.getByRole("button", { name: "Hold" }).count()).toBe(0);
  await page.getByRole("button", { name: "Reset…" }).click();
  await until("the question", () => page.getByRole("dialog").isVisible());
  await until("no question", async () => !(await page.getByRole("dialog").isVisible()), 40);
  await comes(page, /question.*closed/i, ".outcome");
  expect(one.commands).toEqual([]);
}, 80000);

// ---- all amplifiers ----------------------------------------------------------------------------------------------------

test("all amplifiers as cards, the worst first; the choice is remembered", async () => {
  await amplifier();
  const other = await amplifier({ id: "valley-23cm", name: "Valley link amplifier" });
  await amplifier({ id: "attic-70cm", name: "Attic amplifier" });
  await other.overheat();
  const page = await view();
  const cards = page.locator(".card");
  await until("three cards", async () => (await cards.count()) === 3);
  await until("the worst first", async () => /Valley.*Tripped.*Heatsink 70\.4/s.test((await cards.first().textContent()) ?? ""));
  expect(await page.textContent(".fleet h1")).toMatch(/amplifiers/i);
  await page.getByRole("link", { name: /Hill-top/ }).click();
  await comes(page, "Permitted");
  expect(page.url()).toMatch(/#hilltop-23cm$/);
  await page.goto(broker.address);
  await page.reload();
  await comes(page, "Permitted");
  expect(await page.textContent(".device")).toBe("Hill-top repeater amplifier");
  await page.getByRole("link", { name: /All amplifiers/ }).click();
  await until("cards again", async () => (await cards.count()) === 3);
  await amplifiers[2]!.vanish();
  await until("a lost one is no healthy card", async () => /Attic.*No message/s.test((await cards.nth(1).textContent()) ?? ""));
});

test("a bad #… doesn't blank the page, and says what isn't there", async () => {
  await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  await page.goto(`${broker.address}#%E0%A4%A`);
  await page.reload();
  await comes(page, "Permitted");
  await page.goto(`${broker.address}#not-there`);
  await page.reload();
  await comes(page, /not-there/, "#answer");
  await page.getByRole("link", { name: /Hill-top/ }).click();
  await comes(page, "Permitted");
});

// ---- every reader ------------------------------------------------------------------------------------------------------

test.each([390, 1440])("text at 200 %, %s px: nothing sticks out sideways, nothing is cut", async (width) => {
  const one = await amplifier({ settable: ["hold", "release", "reset"] });
  await one.mismatch();
  const page = await view({ width, height: 900 });
  await comes(page, "Latched");
  await page.evaluate(() => {
    document.documentElement.style.fontSize = "200%";
  });
  await new Promise((resolve) => setTimeout(resolve, 700));
  expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
  const cut = await page.locator("h1, h2:not(.unseen), .rung .title, .rung .value, .rung .headroom, .standing li, .answer, button").evaluateAll((all) =>
    all.filter((e) => (e as HTMLElement).offsetWidth > 0 && (e.scrollWidth > e.clientWidth + 1) && getComputedStyle(e).display !== "inline")
      .map((e) => `${e.className} ${e.textContent}`));
  expect(cut).toEqual([]);
  expect(parseFloat(await page.locator(".rung .title").first().evaluate((e) => getComputedStyle(e).fontSize))).toBeGreaterThanOrEqual(32);
});

test("targets are 44 px high at the least", async () => {
  await amplifier({ settable: ["hold", "release", "reset"] });
  const page = await view({ width: 390, height: 844 });
  await comes(page, "Permitted");
  await until("curves", async () => (await page.locator(".trends figure").count()) === 4);
  const small = await page.locator("button, summary, select, a[href], .windows label, .tools label").evaluateAll((all) =>
    all.filter((e) => (e as HTMLElement).offsetHeight > 0 && e.getBoundingClientRect().height < 43.9).map((e) => `${e.tagName} ${e.textContent?.trim()} ${e.getBoundingClientRect().height}`));
  expect(small).toEqual([]);
});

test("forced colours: the ladder's marks are still there, the state is a word", async () => {
  await amplifier();
  const page = await view();
  await page.emulateMedia({ forcedColors: "active" });
  await comes(page, "Permitted");
  const marks = await page.evaluate(() => [".lane .now", ".lane .trip", ".lane .track"].map((part) => {
    const style = getComputedStyle(document.querySelector(part)!);
    const paper = getComputedStyle(document.body).backgroundColor;
    return { part, seen: style.backgroundColor !== paper && style.backgroundColor !== "rgba(0, 0, 0, 0)" || parseFloat(style.borderTopWidth) > 0 || parseFloat(style.borderLeftWidth) > 0 };
  }));
  expect(marks.filter((one) => !one.seen)).toEqual([]);
});

test("print: one sheet with state, ladder and the last events", async () => {
  const one = await amplifier();
  await one.mismatch();
  for (let i = 0; i < 30; ++i) await one.event("RF on", `RF on: forward ${100 + i} W.`);
  const page = await view();
  await comes(page, "Latched");
  await until("events", async () => (await page.locator(".events li").count()) > 20);
  const pdf = (await page.pdf({ format: "A4" })).toString("latin1");
  expect(pdf.match(/\/Type\s*\/Page\b(?!s)/g)?.length).toBe(1);
  await page.emulateMedia({ media: "print" });
  expect(await page.locator(".permit").isVisible()).toBe(true);
  expect(await page.locator(".rung").first().isVisible()).toBe(true);
  expect(await page.locator(".events li").first().isVisible()).toBe(true);
  expect(await page.locator(".buttons").first().isVisible()).toBe(false);
  expect(await page.textContent(".printed")).toMatch(/\d\d:\d\d:\d\d/);
});

test("print: dark on white, also from a dark screen", async () => {
  const one = await amplifier();
  await one.mismatch();
  const page = await view({ dark: true });
  await comes(page, "Latched");
  const looks = () => page.evaluate(() => {
    const grey = (colour: string) => (colour.match(/\d+/g) ?? []).slice(0, 3).reduce((sum, one) => sum + Number(one), 0) / 3;
    const style = (part: string) => getComputedStyle(document.querySelector(part)!);
    return { paper: grey(style("html").backgroundColor), ink: grey(style(".rung .title").color), last: grey(style(".events li").color), scheme: style("html").colorScheme };
  });
  await until("events", async () => (await page.locator(".events li").count()) > 0);
  expect((await looks()).paper).toBeLessThan(60);
  await page.emulateMedia({ media: "print", colorScheme: "dark" });
  const printed = await looks();
  expect(printed.paper).toBe(255);
  expect(printed.ink).toBeLessThan(60);
  expect(printed.last).toBeLessThan(110);
  expect(printed.scheme).toContain("light");
});

test("is the signal clean: beside drive and cooling, a warning with its sign and word, nothing where nothing is told", async () => {
  const one = await amplifier();
  const page = await view({ width: 390, height: 844 });
  await comes(page, "Permitted");
  expect(await page.locator(".signal").count()).toBe(0);
  one.clean = "Clean by both measurements. Shoulder attenuation 42.0 dB, not below 40 dB: received from receiver/shoulders at most 5 s ago.";
  one.unclean = false;
  await one.tick();
  await until("the sentence", async () => (await page.locator(".signal").textContent())?.includes("Clean by both measurements."));
  expect(await page.locator(".signal h3").textContent()).toBe("Is the signal clean?");
  expect(await page.locator(".signal strong").count()).toBe(0);
  one.clean = "Not clean. Shoulder attenuation 38.0 dB, below 40 dB: received from receiver/shoulders at most 5 s ago.";
  one.unclean = true;
  await one.tick();
  await until("the warning", async () => (await page.locator(".signal[data-warns=yes] strong").textContent()) === "▲ Warning.");
  // It changes nothing of the permit.
  await comes(page, "Permitted");
  expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
});

test("two fingers zoom the trends, and the way back is there", async () => {
  const one = await amplifier();
  const page = await view({ width: 390, height: 844 });
  await comes(page, "Permitted");
  for (let i = 0; i < 3; ++i) {
    await one.tick();
    await new Promise((resolve) => setTimeout(resolve, 300));
  }
  expect(await page.getByRole("button", { name: "Follow again" }).isVisible()).toBe(false);
  const over = page.locator("[data-chart=power] .u-over");
  await over.scrollIntoViewIfNeeded();
  const box = (await over.boundingBox())!;
  const session = await page.context().newCDPSession(page);
  const y = box.y + 30;
  const at = (apart: number) => [{ x: box.x + box.width / 2 - apart, y, id: 0 }, { x: box.x + box.width / 2 + apart, y, id: 1 }];
  await session.send("Input.dispatchTouchEvent", { type: "touchStart", touchPoints: at(20) });
  for (const apart of [40, 70, 100]) await session.send("Input.dispatchTouchEvent", { type: "touchMove", touchPoints: at(apart) });
  await session.send("Input.dispatchTouchEvent", { type: "touchEnd", touchPoints: [] });
  await until("the way back", () => page.getByRole("button", { name: "Follow again" }).isVisible());
});

test("a wrong password is said; the right one kept on this screen opens after a reload", async () => {
  const folder = mkdtempSync(join(tmpdir(), "dekeyd-password-"));
  chmodSync(folder, 0o755);
  const file = join(folder, "users");
  execFileSync("mosquitto_passwd", ["-b", "-c", file, "reader", "only-reads"]);
  chmodSync(file, 0o644);
  const shy = new Broker();
  try {
    await shy.start(`password_file ${file}\n`);
    const page = await view({}, shy);
    await until("the question", () => page.getByLabel("User").isVisible());
    await page.getByLabel("User").fill("reader");
    await page.getByLabel("Password").fill("wrong");
    await page.keyboard.press("Enter");
    await comes(page, /refuses this user or password/, ".login");
    await page.getByLabel("Password").fill("only-reads");
    await page.getByLabel(/Keep on this screen/).check();
    await page.getByRole("button", { name: "Connect" }).click();
    await comes(page, /No amplifier has announced itself/, "#answer");
    await page.reload();
    await comes(page, /No amplifier has announced itself/, "#answer");
    expect(await page.getByLabel("User").isVisible()).toBe(false);
  } finally {
    await shy.end();
    rmSync(folder, { recursive: true, force: true });
  }
});

test("without a set clock a boot's events are told by their age", async () => {
  const one = await amplifier();
  one.pause();
  Object.assign(one, { synchronised: false, clockWrong_ms: -86400_000 * 400 });
  await one.event("started", "Started.", { at_s: 5, wall: new Date(Date.now() + one.clockWrong_ms - 720_000).toISOString() });
  await one.event("RF on", "RF on: forward 104 W.", { at_s: 65, wall: new Date(Date.now() + one.clockWrong_ms - 660_000).toISOString() });
  one.run();
  const page = await view();
  await comes(page, "Permitted");
  await comes(page, /^11 min( \d+ s)? ago$/, ".events time");
  await comes(page, /^12 min( \d+ s)? ago$/, ".events time");
});

// ---- words and figures -------------------------------------------------------------------------------------------------

test("dBm beside watts, by choice, and remembered", async () => {
  await amplifier();
  const page = await view();
  await comes(page, "Permitted");
  const forward = page.locator(".rung", { hasText: "Forward power" });
  await comes(page, "104 W", ".rung .value");
  await page.getByLabel("dBm").check();
  await until("dBm", async () => (await forward.locator(".value").textContent()) === "104 W (50.2 dBm)");
  await page.reload();
  await until("dBm again", async () => (await forward.locator(".value").textContent()) === "104 W (50.2 dBm)");
});

test("German by the browser's language, English by the switch", async () => {
  const one = await amplifier();
  const context = await browser.newContext({ viewport: { width: 1440, height: 1000 }, locale: "de-AT" });
  const page = await context.newPage();
  try {
    await page.goto(broker.address);
    await comes(page, "Freigegeben");
    expect(await page.evaluate(() => document.documentElement.lang)).toBe("de");
    await one.overheat();
    await comes(page, "Ausgelöst");
    await page.getByLabel("Sprache").selectOption("en");
    await comes(page, "Tripped");
    await page.reload();
    await comes(page, "Tripped");
  } finally {
    await context.close();
  }
});

// ---- incidents ---------------------------------------------------------------------------------------------------------

test("trip, what led to it, clearing and reset are one card with its curves", async () => {
  const one = await amplifier();
  await one.event("RF on", "RF on: forward 104 W.");
  await one.event("warning", "VSWR 1.72: warning above 1.60.", { severity: "warning", source: "vswr" });
  await one.mismatch();
  await one.capture();
  await one.event("cleared", "VSWR too high has cleared.", { source: "vswr" });
  await one.event("reset", "Reset at the amplifier.", { origin: "local" });
  Object.assign(one, { permit: true, state: "permitted", reason: "Nothing stands against the permit.", causes: [] });
  await one.event("permitted", "Permitted.");
  const page = await view();
  await comes(page, "Permitted");
  const cards = page.locator(".incident");
  await until("one card", async () => (await cards.count()) === 1);
  const text = (await cards.first().textContent()) ?? "";
  for (const part of [/RF on/, /warning above 1\.60/, /VSWR too high 2\.45/, /Reflected power too high/, /has cleared/, /Reset at the amplifier/, /Permitted/]) {
    expect(text).toMatch(part);
  }
  await until("its curves", async () => (await cards.first().locator("svg path").count()) > 0);
});

test("the events and a capture can be had as CSV", async () => {
  const one = await amplifier();
  await one.overheat();
  await one.capture();
  const page = await view();
  await comes(page, "Tripped");
  await until("the event", async () => (await page.locator(".events li").count()) === 1);
  const fetched = async (name: RegExp) => {
    const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name }).click()]);
    return { name: download.suggestedFilename(), text: readFileSync(await download.path(), "utf8") };
  };
  const events = await fetched(/Events as CSV/);
  expect(events.name).toMatch(/^hilltop-23cm-events-.*\.csv$/);
  const lines = events.text.trim().split("\r\n");
  expect(lines[0]).toBe("number,time,clock_set,kind,severity,source,value,unit,level,origin,text");
  expect(lines[1]).toMatch(/^1,\d{4}-\d\d-\d\dT.*Z,yes,tripped,alarm,heatsink,70\.4,°C,70,none,Tripped: Heatsink too hot/);
  await page.locator(".events .seconds").first().click();
  const capture = await fetched(/Capture as CSV/);
  expect(capture.name).toMatch(/^hilltop-23cm-trip-.*\.csv$/);
  const rows = capture.text.trim().split("\r\n");
  expect(rows[0]).toBe("t_s,permit,heatsink_°C,forward_W,reflected_W,vswr,drive_W,supply_V,current_A");
  expect(rows.length).toBe(282);
  expect(rows.find((row) => row.startsWith("0,"))).toMatch(/^0,0,70\.4,/);
});
