// Puts the page together: messages in, one picture a second out, and at once when something happened.
import { html, nothing, render } from "lit-html";

import type { Command } from "./model/commands";
import { describeBanner } from "./model/banner";
import { choices } from "./model/viewers_choices";
import { el, mark, save, show } from "./views/dom";
import { fail, hasFailed } from "./views/failure";
import { Fetches } from "./broker/fetched_capture";
import { cardsOf } from "./model/fleet";
import { History } from "./model/history";
import { adviceOf, byNearness, describeRung, limitsAtRest, limitsNow, signalOf } from "./model/ladder";
import { fitting, language, languages, t, useLanguage } from "./text/language";
import { Broker } from "./broker/link";
import { Fleet, type Device, type Moment } from "./model/model";
import { judgeNews, type Link, type News } from "./model/freshness";
import { Past, reach_s, type Level } from "./broker/history_pieces";
import { hashOf, placeOf, type Place } from "./model/view_address";
import "./style.css";
import { highOf, lowOf } from "./model/trends";
import { ActsView } from "./views/commands";
import { BannerView } from "./views/banner";
import { CaptureView } from "./views/capture";
import { DetailsView } from "./views/details";
import { EventsView, IncidentsView } from "./views/events";
import { FleetView } from "./views/fleet";
import { LadderView } from "./views/ladder";
import { LoginView } from "./views/login";
import { TrendsView } from "./views/trends";
import { clock, showDbm } from "./text/figures";

const recentSpan_s = 300;
const beatEach_ms = 800;

const moment = (): Moment => ({ steady: performance.now(), wall: Date.now() });

const fleet = new Fleet();
let place: Place = placeOf(location.hash);
let chosen = "";
let history = new History();
let past = new Past();
let thinned = new History();
let filled = ""; ///< what of the past is drawn
let sampled: number | null = null; ///< sequence of the last sample
let link: Link = "connecting";
let linkSince = moment();
let pictureDue = false;
let trendsDrawn = 0;
let beaten = 0;
const wantedLevels = new Set<Level>();
let order: string[] = []; ///< of the ladder's rows, as they stand

useLanguage(choices.language() || fitting(navigator.languages));
showDbm(choices.dbm());

const banner = new BannerView();
const ladder = new LadderView();
const trends = new TrendsView(() => {
  trendsDrawn = 0;
  choose();
  picture();
});
const capture = new CaptureView();
const openCapture = (one: Parameters<CaptureView["open"]>[0], at: number | null) => {
  const device = fleet.get(chosen);
  if (device) capture.open(one, device, at, Date.now());
};
const events = new EventsView(openCapture);
const incidents = new IncidentsView(openCapture);
const fetches = new Fetches();
const details = new DetailsView(fetches, (file) => {
  if (broker.send(`homie/5/${chosen}/recorder/fetch/set`, file)) fetches.start(file);
  picture();
});
const cards = new FleetView();
const name = el("p", { class: "device" });
const tools = el("div", { class: "tools", role: "region" });
const toAll = el("p", { class: "to-all" });
const footer = el("footer");
const printed = el("p", { class: "printed" });
const columns = el(
  "div",
  { class: "columns" },
  el("div", { class: "left" }, ladder.root, incidents.root, events.root),
  el("div", { class: "right" }, trends.root),
);
/// Shown by style alone once no picture has restarted it for a while: nothing of the script's is needed for that.
const halted = el("div", { class: "halted", "aria-hidden": "true" });

const broker = new Broker(new URL("/mqtt", location.href.replace(/^http/, "ws")).href, {
  message(topic, payload, retained) {
    const now = moment();
    const ofPast = `dekeyd/${chosen}/history/`;
    if (chosen && topic.startsWith(ofPast)) {
      past.take(topic.slice(ofPast.length), payload);
      trendsDrawn = 0;
      later();
      return;
    }
    if (chosen && topic === `dekeyd/${chosen}/capture`) {
      const whole = fetches.take(payload);
      if (whole) save(`${chosen}-${whole.name}`, whole.text);
      later();
      return;
    }
    const happened = fleet.take(topic, payload, retained, now);
    choose();
    const device = fleet.get(chosen);
    for (const one of happened) {
      if (!device) break;
      acts.happened(device.id, one);
      if (one.live && one.kind === "tripped") banner.announce(one.text);
    }
    if (device && device.sequence !== null && device.sequence !== sampled) {
      sampled = device.sequence;
      sample(device, now);
    }
    later();
  },
  changed(state) {
    link = state;
    linkSince = moment();
    later();
  },
});
const login = new LoginView((entered) => broker.connect(entered));
const acts = new ActsView(banner.acts, (device: string, command: Command, reason: string) =>
  broker.send(`homie/5/${device}/permit/${command}/set`, reason || command),
);

/// The amplifier that the address names, or the one that was chosen last, or the only one. Nothing: all of them.
function wanted(): string {
  if (place.view === "fleet") return "";
  if (place.id) return place.id;
  const known = fleet.known();
  const kept = choices.amplifier();
  if (kept && (!known.length || known.some((one) => one.id === kept))) return kept;
  return known.length === 1 ? known[0]!.id : "";
}

/// Of all amplifiers the broker is asked for what their cards need, of the chosen one for everything.
function choose(): void {
  const id = wanted();
  if (id !== chosen) {
    if (chosen) fleet.forgetValues(chosen);
    chosen = id;
    history = new History();
    past = new Past();
    wantedLevels.clear();
    filled = "";
    sampled = null;
    order = [];
    trendsDrawn = 0;
  }
  const topics = ["$state", "$description", "service/summary", "service/pulse", "service/plan"].map(
    (one) => `homie/5/+/${one}`,
  );
  if (chosen) {
    wantedLevels.add("hour").add(trends.level);
    topics.push(`homie/5/${chosen}/#`, `dekeyd/${chosen}/event`, `dekeyd/${chosen}/capture`);
    for (const level of wantedLevels) topics.push(`dekeyd/${chosen}/history/${level}/+`);
  }
  broker.follow(topics);
}

function go(): void {
  place = placeOf(location.hash);
  if (place.view !== "fleet" && fleet.known().some((one) => one.id === place.id)) choices.keepAmplifier(place.id);
  choose();
  picture();
}

/// What is drawn: the page's own hour, filled up with what dekeyd has kept of it; or a longer time, of that alone.
function drawnPast(device: Device | undefined, now: Moment): History {
  const level = trends.level;
  // Before the first live word it isn't known how far apart both clocks are.
  if (!device || (device.news === null && device.connection === "ready")) return history;
  const shift_s = device.clockOffset / 1000;
  const key = `${level} ${past.count(level)} ${Math.round(shift_s / 10)}`;
  if (key !== filled) {
    filled = key;
    const bins = past.bins(level, now.wall / 1000 - shift_s);
    if (level === "hour") {
      history.fill(bins, shift_s);
    } else {
      const step = bins[0]?.step ?? 1;
      thinned = new History(Math.ceil(reach_s[level] / step) * 2, 1.5 * step);
      thinned.replace(bins, shift_s);
    }
  }
  return level === "hour" ? history : thinned;
}

function sample(device: Device, now: Moment): void {
  const values = new Map<string, number | null>();
  for (const [id, known] of device.quantities) {
    values.set(id, known.value);
    if (id === "vswr") {
      values.set(lowOf(id), known.value === null ? null : known.low);
      values.set(highOf(id), known.value === null ? null : known.high);
    }
  }
  history.add(now.wall / 1000, device.permit, values);
}

/// Many messages come together; one picture is enough for them.
function later(): void {
  if (pictureDue) return;
  pictureDue = true;
  setTimeout(() => {
    pictureDue = false;
    picture();
  }, 60);
}

/// Each picture is whole or none: what fails within it leaves no old one standing.
function picture(): void {
  if (hasFailed()) return;
  try {
    draw(moment());
  } catch (error) {
    fail(error);
    throw error;
  }
}

function draw(now: Moment): void {
  const device = fleet.get(chosen);
  const known = fleet.known();
  const news = judgeNews(device, link, linkSince, now, chosen);
  // All of them, where none is chosen and there is a choice.
  const all = place.view === "fleet" || (chosen === "" && known.length > 1);
  const wall = place.view === "wall";
  mark(document.documentElement, "data-news", all || news.fresh ? "fresh" : "stale");
  mark(document.documentElement, "data-view", all ? "fleet" : wall ? "wall" : "amplifier");
  mark(document.documentElement, "data-wall", wall ? "yes" : null);
  mark(document.documentElement, "lang", language);
  const some = known.length > 1 || (known.length === 1 && known[0]!.id !== chosen);
  show(cards.root, all || some);
  if (all || some) cards.show(cardsOf(known, link, linkSince, now), chosen, all, wall);
  login.show(link === "refused" || link === "wrong", link === "wrong");
  for (const part of [banner.root, columns, details.root]) show(part, !all);
  if (all) document.title = t.fleet.title;
  else drawDevice(device, news, now);
  name.textContent = all ? "dekeyd" : (device?.name ?? (chosen || "dekeyd"));
  drawTools(known.length, all, wall);
  printed.textContent = t.page.printed(clock(now.wall, 0));
  footer.textContent = t.page.footer;
  beat(now);
}

function drawDevice(device: Device | undefined, news: News, now: Moment): void {
  const asOf = device?.news ? t.page.asOf(clock(now.wall - (news.age_s ?? 0) * 1000, now.wall)) : t.page.noWord;
  banner.show(describeBanner(device, news, now), device?.name ?? "", asOf);
  acts.show(device, link === "connected");
  const from = now.wall / 1000 - recentSpan_s;
  const rungs = device
    ? limitsNow(device).map((limit) => describeRung(device, limit, history.span(limit.watch, from)))
    : [];
  const sorted = byNearness(rungs, order);
  order = sorted.map((rung) => rung.id);
  const resting = device ? limitsAtRest(device).map((limit) => describeRung(device, limit, null)) : [];
  const none = device ? t.page.noLimitsYet : t.page.noAmplifier;
  ladder.show(sorted, resting, !news.fresh, none, adviceOf(device, news.fresh), signalOf(device, news.fresh));
  events.show(device, now.wall);
  incidents.show(device, now.wall);
  details.show(device, broker.address, now.wall);
  for (const part of [events.root, incidents.root, details.root]) mark(part, "data-stale", news.fresh ? null : "yes");
  if (now.steady - trendsDrawn > 900 || trends.root.hasAttribute("data-stale") === news.fresh) {
    trendsDrawn = now.steady;
    trends.show(device, drawnPast(device, now), !news.fresh);
  }
}

function drawTools(count: number, all: boolean, wall: boolean): void {
  mark(tools, "aria-label", t.page.tools);
  const link_to = (to: Place, text: string) => html`<a href=${hashOf(to)}>${text}</a>`;
  render(count > 1 && !all ? link_to({ view: "fleet", id: "" }, t.page.fleet) : nothing, toAll);
  render(
    html`${wall ? link_to({ view: "amplifier", id: chosen }, t.page.leaveWall) : link_to({ view: "wall", id: chosen }, t.page.wall)}
    <label><input type="checkbox" .checked=${choices.dbm()} @change=${(event: Event) => {
      choices.keepDbm((event.target as HTMLInputElement).checked);
      showDbm((event.target as HTMLInputElement).checked);
      picture();
    }}> ${t.page.dbm}</label>
    <label>${t.language} <select .value=${language} @change=${(event: Event) => {
      useLanguage((event.target as HTMLSelectElement).value);
      choices.keepLanguage(language);
      picture();
    }}>${Object.entries(languages).map(([code, one]) => html`<option value=${code} lang=${code} .selected=${code === language}>${one.name}</option>`)}</select></label>`,
    tools,
  );
}

/// Restarts what style would show if no picture came any more.
function beat(now: Moment): void {
  if (now.steady - beaten < beatEach_ms) return;
  beaten = now.steady;
  halted.textContent = t.page.halted(clock(now.wall, now.wall));
  halted.dataset["beat"] = halted.dataset["beat"] === "a" ? "b" : "a";
}

addEventListener("hashchange", go);
addEventListener("online", () => broker.hurry());
document.addEventListener("visibilitychange", () => {
  trendsDrawn = 0;
  if (!document.hidden) broker.hurry();
  picture();
});

document
  .getElementById("page")!
  .append(
    el("header", { class: "top" }, name, toAll),
    el("main", {}, login.root, banner.root, cards.root, columns, details.root, capture.root),
    tools,
    footer,
    printed,
    halted,
  );
choose();
broker.connect(choices.login());
picture();
setInterval(picture, 500);
