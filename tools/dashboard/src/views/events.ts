// What happened, newest first; and each trip with what belongs to it.
import { html, nothing, render, svg } from "lit-html";
import { repeat } from "lit-html/directives/repeat.js";

import { captureOf, type Capture } from "../model/capture";
import { eventsCsv, fileName } from "../model/csv";
import { el, save } from "./dom";
import { curveOf, incidentsOf, sketch, type Incident } from "../model/incidents";
import { t, wordFor } from "../text/language";
import { sinceStart, viewersTime, type Device, type Happening } from "../model/model";
import { capital, clock, duration } from "../text/figures";

const shown = 100;

type Open = (capture: Capture, at: number | null) => void;

/// The wall time of a clock that isn't set means nothing; the age does, where it is known.
export function whenText(device: Device, one: Happening, now: number): string {
  const at = viewersTime(device, one);
  if (at === null) return t.time.clockNotSet;
  return sinceStart(device, one) ? t.time.ago(duration((now - at) / 1000)) : clock(at, now);
}

export class EventsView {
  readonly root = el("section", { class: "happened", "aria-labelledby": "happened-title" });
  private drawn = "";

  constructor(private readonly open: Open) {}

  show(device: Device | undefined, now: number): void {
    const all = device?.happenings ?? [];
    const rows = all.slice(-shown).reverse();
    const last = all[all.length - 1];
    const ages = device && !device.synchronised ? Math.floor(now / 1000) : new Date(now).getDate();
    const captures = [...(device?.captures.values() ?? [])];
    const key =
      `${t.language} ${device?.id} ${all.length} ${last?.epoch} ${last?.number} ${ages} ${device?.synchronised}` +
      captures.map((one) => ` ${one.at_s}`).join("");
    if (key === this.drawn) return;
    this.drawn = key;
    // lit-html leaves a comment behind for each row that goes: a list with many of them is drawn from nothing.
    if ((this.root.querySelector("ol")?.childNodes.length ?? 0) > 4 * shown) render(nothing, this.root);
    render(
      html`<h2 id="happened-title">${t.events.title}</h2>
      ${rows.length ? nothing : html`<p class="none">${t.events.none}</p>`}
      <div class="scroll" tabindex="0" role="group" aria-labelledby="happened-title"><ol class="events" reversed>
        ${repeat(
          rows,
          (one) => `${one.epoch} ${one.number} ${one.wall}`,
          (one) => this.row(one, device!, now),
        )}</ol></div>
      ${rows.length ? html`<button type="button" class="csv" @click=${() => save(fileName(device!.id, "events", now), eventsCsv(device!))}>${t.events.csv}</button>` : nothing}`,
      this.root,
    );
  }

  private row(one: Happening, device: Device, now: number) {
    const capture = one.kind === "tripped" ? captureOf(device.captures.values(), one) : undefined;
    const iso = one.synchronised && Number.isFinite(one.wall) ? new Date(one.wall).toISOString() : nothing;
    return html`<li data-severity=${one.severity}><time datetime=${iso}>${whenText(device, one, now)}</time><span class="sign" aria-hidden="true">${one.sign}</span>
      <span class="kind">${wordFor(t.kind, one.kind)}</span><span class="text">${one.text}</span>
      ${capture ? html`<button type="button" class="seconds" aria-label=${t.events.secondsOf(one.text)} @click=${() => this.open(capture, viewersTime(device, one))}>${t.events.seconds}</button>` : nothing}</li>`;
  }
}

export class IncidentsView {
  readonly root = el("section", { class: "incidents", "aria-labelledby": "incidents-title" });
  private drawn = "";

  constructor(private readonly open: Open) {}

  show(device: Device | undefined, now: number): void {
    const found = device ? incidentsOf(device) : [];
    this.root.hidden = found.length === 0;
    const minute = Math.floor(now / 60000);
    const key =
      `${t.language} ${device?.id} ${device?.synchronised} ${minute} ` +
      found.map((one) => `${one.trip.number} ${one.after.length} ${one.capture?.at_s}`).join();
    if (key === this.drawn) return;
    this.drawn = key;
    render(
      html`<h2 id="incidents-title">${t.incidents.title}</h2>
      <ul>${found.map((one) => this.card(one, device!, now))}</ul>`,
      this.root,
    );
  }

  private card(one: Incident, device: Device, now: number) {
    const line = (each: Happening) =>
      html`<li><time>${whenText(device, each, now)}</time> <strong>${capital(wordFor(t.kind, each.kind))}</strong> ${each.text}</li>`;
    const span = one.ended ? (one.ended.wall - one.trip.wall) / 1000 : null;
    const capture = one.capture;
    return html`<li class="incident" data-open=${one.ended ? nothing : "yes"}>
      <h3><time>${whenText(device, one.trip, now)}</time> ${one.trip.text} <span class="how">${span === null ? t.incidents.open : t.incidents.ended(duration(span))}</span></h3>
      ${capture ? this.curve(capture) : nothing}
      ${one.before.length ? html`<h4>${t.incidents.led}</h4><ul>${one.before.map(line)}</ul>` : nothing}
      ${one.after.length ? html`<h4>${t.incidents.then}</h4><ul>${one.after.map(line)}</ul>` : nothing}
      ${capture ? html`<button type="button" class="look" @click=${() => this.open(capture, viewersTime(device, one.trip))}>${t.events.seconds}</button>` : nothing}</li>`;
  }

  private curve(capture: Capture) {
    const curve = curveOf(capture);
    if (!curve) return nothing;
    const drawn = sketch(capture, curve);
    return html`<svg class="sketch" viewBox="0 0 100 30" preserveAspectRatio="none" role="img" aria-label=${t.incidents.curve(curve.name)}>
      ${drawn.level === null ? nothing : svg`<line class="level" x1="0" x2="100" y1=${drawn.level} y2=${drawn.level}></line>`}
      ${drawn.trip === null ? nothing : svg`<line class="moment" x1=${drawn.trip} x2=${drawn.trip} y1="0" y2="30"></line>`}
      <path d=${drawn.path}></path></svg>`;
  }
}
