// The ladder: a lane for each limit that stands, all drawn to one edge; below it those that rest, by name.
import { html, nothing, render } from "lit-html";
import { repeat } from "lit-html/directives/repeat.js";

import { el, mark } from "./dom";
import { edge, type Rung } from "../model/ladder";
import { t, wordFor } from "../text/language";

const percent = (x: number) => `${(x * 100).toFixed(2)}%`;
const signs: Record<string, string> = { warning: "▲", waiting: "◷", tripped: "■", latched: "■", unknown: "?" };

/// A part of the lane at one place, or between two; style by property, which a strict policy allows.
const at = (name: string, x: number | null, level = "") =>
  x === null
    ? nothing
    : html`<span class=${name} data-level=${level || nothing} .style=${`left:${percent(x)}`}></span>`;
const between = (name: string, from: number | null, to: number | null) =>
  from === null || to === null
    ? nothing
    : html`<span class=${name} .style=${`left:${percent(Math.min(from, to))};width:${percent(Math.abs(to - from))}`}></span>`;

function lane(rung: Rung, stale: boolean) {
  const spoken = stale ? t.ladder.old(rung.spoken) : rung.spoken;
  const meter = rung.share !== null && !stale;
  const share = meter ? String(Math.round(Math.min(1, Math.max(0, rung.share!)) * 100)) : nothing;
  return html`<div class="lane" role=${meter ? "meter" : "img"} aria-label=${meter ? rung.title : `${rung.title}: ${spoken}`}
    aria-valuemin=${meter ? "0" : nothing} aria-valuemax=${meter ? "100" : nothing} aria-valuenow=${share} aria-valuetext=${meter ? spoken : nothing}>
    <span class="track"></span>${at("past", edge)}${between("recent", rung.recent?.[0] ?? null, rung.recent?.[1] ?? null)}${at("clear", rung.clear)}
    ${at("warn", rung.warn, rung.warnText)}${at("trip", edge, rung.tripText)}${between("doubt", rung.low, rung.high)}${at("now", rung.at)}</div>`;
}

function row(rung: Rung, stale: boolean) {
  // What exists only with RF is no fault while there is none.
  const quiet = rung.idle && !rung.measured && rung.condition === "unknown";
  const sign = quiet ? undefined : signs[rung.condition];
  return html`<li class="rung" data-id=${rung.id} data-condition=${rung.condition} data-trips=${rung.trips ? "yes" : "no"} data-measured=${rung.measured ? "yes" : "no"}>
    <span class="title">${rung.title}</span><span class="tag">${sign ? `${sign} ${wordFor(t.ladder.condition, rung.condition)}` : ""}</span>
    <span class="value" data-was=${t.ladder.was}>${rung.value}</span>${lane(rung, stale)}<span class="headroom">${rung.room}</span></li>`;
}

export class LadderView {
  readonly root = el("section", { class: "room", "aria-labelledby": "room-title" });

  show(
    rungs: Rung[],
    resting: Rung[],
    stale: boolean,
    none: string,
    advice: string,
    signal: { text: string; warns: boolean },
  ): void {
    mark(this.root, "data-stale", stale ? "yes" : null);
    const words = {
      mark: t.ladder.now,
      doubt: t.ladder.doubt,
      recent: t.ladder.recent,
      warn: t.ladder.warns,
      trip: t.ladder.trips,
    };
    render(
      html`<h2 id="room-title">${t.ladder.title}</h2>
      <p class="key">${Object.entries(words).map(([sign, text]) => html`<span><i class=${`k-${sign}`} aria-hidden="true"></i>${text}</span>`)}</p>
      <ul class="ladder">${repeat(
        rungs,
        (rung) => rung.id,
        (rung) => row(rung, stale),
      )}</ul>
      ${rungs.length ? nothing : html`<p class="none">${none}</p>`}
      ${advice ? html`<div class="advice"><h3>${t.ladder.advice}</h3><p>${advice}</p></div>` : nothing}
      ${
        signal.text
          ? html`<div class="advice signal" data-warns=${signal.warns ? "yes" : "no"}><h3>${t.ladder.signal}</h3><p>${
              signal.warns ? html`<strong>${signs["warning"]} ${t.ladder.signalWarns}.</strong> ` : nothing
            }${signal.text}</p></div>`
          : nothing
      }
      ${
        resting.length
          ? html`<div class="resting"><p>${t.ladder.resting}</p><ul>${resting.map(
              (rung) => html`<li><span>${rung.title}</span> <span>${rung.value}</span> <span>${rung.room}</span></li>`,
            )}</ul></div>`
          : nothing
      }`,
      this.root,
    );
  }
}
