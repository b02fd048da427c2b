// Details for a closer look: every sensor and what it is worth, and the daemon itself.
import { html, nothing, render } from "lit-html";

import { chainRow, metres, ofToday, totals } from "../model/details";
import { el } from "./dom";
import type { Fetches } from "../broker/fetched_capture";
import { t, wordFor } from "../text/language";
import type { Channel, Device, Property } from "../model/model";
import { clock, duration, number, shown, withUnit } from "../text/figures";

/// Faults with RF on and off, in words, where the difference tells something.
export function suspicion(channel: Channel): string {
  const keyed = channel.goodKeyed + channel.faultsKeyed;
  const idle = channel.goodIdle + channel.faultsIdle;
  if (keyed + idle === 0) return "";
  const share = (faults: number, all: number) => (all ? (faults / all) * 100 : 0);
  const percent = (x: number) => (x === 0 ? t.details.none : x < 0.1 ? t.details.under : `${x.toFixed(1)} %`);
  const [on, off] = [share(channel.faultsKeyed, keyed), share(channel.faultsIdle, idle)];
  if (on === 0 && off === 0) return t.details.noFaults;
  const text = t.details.faults(percent(on), percent(off));
  return channel.faultsKeyed >= 5 && on > 4 * off && on > 0.1 ? t.details.suspect(text) : text;
}

const figure = (value: number | null, unit: string) => (value === null ? "–" : shown(value, unit));

type Cell = string | ReturnType<typeof html>;

function table(label: string, columns: string[], rows: { cells: Cell[]; quality?: string }[]) {
  if (!rows.length) return nothing;
  return html`<div class="scroll" tabindex="0" role="group" aria-label=${label}><table><thead><tr>${columns.map((title) => html`<th scope="col">${title}</th>`)}</tr></thead>
    <tbody>${rows.map(({ cells, quality }) => html`<tr data-quality=${quality ?? nothing}><th scope="row">${cells[0]}</th>${cells.slice(1).map((cell) => html`<td>${cell}</td>`)}</tr>`)}</tbody></table></div>`;
}

const part = (id: string, title: string, ...inside: unknown[]) =>
  html`<details data-part=${id}><summary>${title}</summary>${inside}</details>`;

function transmissions(device: Device | undefined, now: number) {
  const rows = device ? ofToday(device, now) : [];
  return part(
    "transmissions",
    t.details.transmissions,
    table(
      t.details.transmissions,
      t.details.transmissionColumns,
      rows.map((one) => ({
        cells: [
          one.synchronised ? clock(one.start + device!.clockOffset, now) : t.time.clockNotSet,
          one.length_s < 10 ? `${one.length_s.toFixed(1)} s` : duration(one.length_s),
          figure(one.mean_w, "W"),
          figure(one.peak_w, "W"),
          figure(one.vswr, ""),
          figure(one.hottest_c, "°C"),
          `${one.energy_wh.toFixed(2)} Wh`,
          one.ended,
        ],
      })),
    ),
    html`<p class="note">${totals(rows)} ${t.details.all}</p>`,
  );
}

function fetchCell(name: string, fetches: Fetches, ask: (name: string) => void): Cell {
  const state = fetches.state(name);
  if (typeof state === "number") return `${Math.round(state * 100)} %`;
  return html`<button type="button" class="csv" @click=${() => ask(name)}>${t.details.fetch}</button>${state ? ` ${state}` : ""}`;
}

function captures(device: Device | undefined, now: number, fetches: Fetches, ask: (name: string) => void) {
  const rows = [...(device?.onDisk ?? [])].reverse().map((one) => ({
    cells: [
      one.name,
      clock(one.wall + device!.clockOffset, now),
      one.cause || "–",
      `${Math.max(1, Math.round(one.size / 1024))} KiB`,
      fetchCell(one.name, fetches, ask),
    ],
  }));
  return part(
    "captures",
    t.details.captures,
    table(t.details.captures, t.details.captureColumns, rows),
    html`<p class="note">${rows.length ? t.details.capturesWhere : t.details.noCaptures}</p>`,
  );
}

function exposure(device: Device | undefined) {
  const known = device?.exposure ?? null;
  if (!known) return part("exposure", t.details.exposure, html`<p class="note">${t.details.noExposure}</p>`);
  const rows = known.cases.map((one) => ({
    cells: [
      one.name,
      one.w_per_m2 === null ? "–" : `${+one.w_per_m2.toPrecision(3)} W/m²`,
      one.averaging_s > 0 ? `${+(one.averaging_s / 60).toFixed(1)} min` : "–",
      one.distance_m === null ? one.where : metres(one.distance_m),
      one.distance_m === null ? "" : t.details.inBeam(one.where),
      one.edition,
    ],
  }));
  const words = t.details.exposureFor(
    figure(known.power_w, "W"),
    figure(known.uncertainty_db, "dB"),
    figure(known.loss_db, "dB"),
    figure(known.gain_dbi, "dB").replace("dB", "dBi"),
    figure(known.eirp_w, "W"),
    figure(known.duty_percent, "%"),
    String(known.ground_factor ?? "?"),
    known.formula,
  );
  return part(
    "exposure",
    t.details.exposure,
    html`<p class="caution">${known.caution}</p>`,
    table(t.details.exposureLabel, t.details.exposureColumns, rows),
    html`<p class="note">${words}${rows.length ? "" : ` ${t.details.noCases}`}</p>`,
  );
}

function sensorCells(device: Device, id: string, property: Property): string[] {
  const known = device.quantities.get(id);
  const channel = device.channels.find((one) => one.id === id);
  const words =
    property.datatype === "boolean" && known && known.value !== null
      ? (property.format.split(",")[known.value ? 1 : 0] ?? "")
      : null;
  const high = (value: number | null) =>
    value === null || value >= 1e9 ? t.details.any : withUnit(value, property.unit);
  const span =
    words === null && known && known.low !== null && known.value !== null
      ? t.details.and(number(known.low, property.unit), high(known.high))
      : "";
  return [
    property.name,
    words ?? (known && known.value !== null ? shown(known.value, property.unit) : "–"),
    span,
    wordFor(t.quality, known?.quality ?? "unknown"),
    channel ? suspicion(channel) : "",
  ];
}

function sensors(device: Device | undefined) {
  const rows = [...(device?.nodes.get("measurements")?.properties ?? [])].map(([id, property]) => ({
    cells: sensorCells(device!, id, property),
    quality: device!.quantities.get(id)?.quality === "good" ? "good" : "other",
  }));
  return part("sensors", t.details.sensors, table(t.details.sensorsLabel, t.details.sensorColumns, rows));
}

function service(device: Device | undefined, broker: string) {
  const facts: [string, string][] = [[t.details.broker, broker]];
  for (const [id, property] of device?.nodes.get("service")?.properties ?? []) {
    if (property.datatype !== "json") facts.push([property.name, device!.values.get(`service/${id}`) ?? "–"]);
  }
  const alerts = [...(device?.alerts.values() ?? [])];
  return part(
    "service",
    t.details.service,
    html`<dl>${facts.map(([name, value]) => html`<dt>${name}</dt><dd>${value}</dd>`)}</dl>`,
    alerts.length ? html`<ul class="alerts">${alerts.map((text) => html`<li>${text}</li>`)}</ul>` : nothing,
  );
}

export class DetailsView {
  readonly root = el("section", { class: "details", "aria-labelledby": "details-title" });

  /// `ask`: for a capture by its name.
  constructor(
    private readonly fetches: Fetches,
    private readonly ask: (name: string) => void,
  ) {}

  show(device: Device | undefined, broker: string, now: number): void {
    const chains = (device?.chains ?? []).map((chain) => {
      const row = chainRow(device!, chain);
      return { cells: [row.name, ...row.cells] };
    });
    render(
      html`<h2 id="details-title">${t.details.title}</h2>${transmissions(device, now)}
      ${part("chains", t.details.chains, table(t.details.chainsLabel, t.details.chainColumns, chains), html`<p class="note">${t.details.workedBack}</p>`)}
      ${captures(device, now, this.fetches, this.ask)}${exposure(device)}${sensors(device)}${service(device, broker)}`,
      this.root,
    );
  }
}
