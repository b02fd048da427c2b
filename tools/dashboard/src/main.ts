// Puts the page together: messages in, one picture a second out, and at once when something happened.
import type { Command } from "./acts";
import { describeBanner } from "./banner";
import { el, show } from "./dom";
import { History } from "./history";
import { describeRung, limitsNow } from "./ladder";
import { Broker } from "./link";
import { Fleet, type Moment } from "./model";
import { judgeNews, type Link } from "./news";
import "./style.css";
import { highOf, lowOf } from "./trends";
import { ActsView } from "./view_acts";
import { BannerView } from "./view_banner";
import { CaptureView } from "./view_capture";
import { DetailsView } from "./view_details";
import { EventsView } from "./view_events";
import { LadderView } from "./view_ladder";
import { LoginView } from "./view_login";
import { TrendsView } from "./view_trends";

const recentSpan_s = 300;

const moment = (): Moment => ({ steady: performance.now(), wall: Date.now() });

const fleet = new Fleet();
let chosen = decodeURIComponent(location.hash.slice(1));
let history = new History();
let sampled: number | null = null; ///< sequence of the last sample
let link: Link = "connecting";
let linkSince = moment();
let pictureDue = false;

const banner = new BannerView();
const ladder = new LadderView();
const trends = new TrendsView();
const capture = new CaptureView();
const events = new EventsView((one, at) => {
  const device = fleet.get(chosen);
  if (device) capture.open(one, device, at, Date.now());
});
const details = new DetailsView();
const chooser = el("select", { id: "chooser" });
const choice = el("p", { class: "chooser" }, el("label", { for: "chooser" }, "Amplifier"), chooser);
const name = el("p", { class: "device" });

const broker = new Broker(new URL("/mqtt", location.href.replace(/^http/, "ws")).href, {
  message(topic, payload, retained) {
    const now = moment();
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
      sample(now);
    }
    later();
  },
  changed(state) {
    link = state;
    linkSince = moment();
    login.show(state === "refused");
    later();
  },
});
const login = new LoginView((username, password) => broker.connect({ username, password }));
const acts = new ActsView(banner.acts, (device: string, command: Command) =>
  broker.send(`homie/5/${device}/permit/${command}/set`, command));

/// Keeps the choice if it is there, else takes the first; the broker is asked for the chosen one's topics alone.
function choose(): void {
  const known = fleet.known();
  if (!chosen && known[0]) chosen = known[0].id;
  const topics = ["homie/5/+/$state", "homie/5/+/$description"];
  if (chosen) topics.push(`homie/5/${chosen}/#`, `dekeyd/${chosen}/event`);
  broker.follow(topics);
}

function change(id: string): void {
  if (id === chosen) return;
  fleet.forgetValues(chosen);
  chosen = id;
  history = new History();
  sampled = null;
  location.replace(`#${encodeURIComponent(id)}`);
  choose();
  picture();
}

function sample(now: Moment): void {
  const device = fleet.get(chosen);
  if (!device) return;
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

let trendsDrawn = 0;

function picture(): void {
  const now = moment();
  const device = fleet.get(chosen);
  const news = judgeNews(device, link, linkSince, now);
  banner.show(describeBanner(device, news, now), device?.name ?? "");
  name.textContent = device?.name ?? (chosen || "dekeyd");
  acts.show(device, link === "connected");
  const from = now.wall / 1000 - recentSpan_s;
  const rungs = device ? limitsNow(device).map((limit) => describeRung(device, limit, history.span(limit.watch, from))) : [];
  ladder.show(rungs, !news.fresh, device ? "dekeyd has not said yet which limits it has." : "No amplifier, no limits.");
  events.show(device, now.wall);
  details.show(device, broker.address, now.wall);
  drawChooser();
  if (now.steady - trendsDrawn > 900) {
    trendsDrawn = now.steady;
    trends.show(device, history);
  }
  document.documentElement.dataset["news"] = news.fresh ? "fresh" : "stale";
}

function drawChooser(): void {
  const known = fleet.known();
  show(choice, known.length > 1 || (known.length === 1 && known[0]!.id !== chosen));
  const wanted = known.map((device) => `${device.id}\n${device.name}`).join("\n");
  if (chooser.dataset["drawn"] !== `${wanted}|${chosen}`) {
    chooser.dataset["drawn"] = `${wanted}|${chosen}`;
    chooser.replaceChildren(...known.map((device) => el("option", { value: device.id }, device.name)));
    if (!known.some((device) => device.id === chosen)) chooser.prepend(el("option", { value: chosen }, `${chosen} (not there)`));
    chooser.value = chosen;
  }
}

chooser.addEventListener("change", () => change(chooser.value));
addEventListener("hashchange", () => change(decodeURIComponent(location.hash.slice(1))));
document.addEventListener("visibilitychange", () => {
  trendsDrawn = 0;
  picture();
});

document.getElementById("page")!.append(
  el("header", { class: "top" }, name, choice),
  el("main", {}, login.root, banner.root,
     el("div", { class: "columns" }, el("div", { class: "left" }, ladder.root, events.root), el("div", { class: "right" }, trends.root)),
     details.root, capture.root),
  el("footer", {}, el("p", {}, "dekeyd is the last line, never the only one. RF, heat and supply currents hurt: keep to your local rules and to licensed practice.")));
choose();
broker.connect();
picture();
setInterval(picture, 500);
