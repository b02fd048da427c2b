// All amplifiers as cards; each leads to its own page.
import { html, nothing, render } from "lit-html";
import { repeat } from "lit-html/directives/repeat.js";

import { el, mark } from "./dom";
import type { Card } from "../model/fleet";
import { t } from "../text/language";
import { hashOf } from "../model/view_address";

function card(one: Card, chosen: string, wall: boolean) {
  const { banner, nearest } = one;
  const near = nearest ? Math.max(0, Math.min(1, nearest.share)) : null;
  return html`<li><a class="card" data-tone=${banner.tone} href=${hashOf({ view: wall ? "wall" : "amplifier", id: one.id })} aria-current=${one.id === chosen ? "page" : nothing}>
    <span class="name">${one.name}</span> <span class="word">${banner.word}</span> ${banner.number ? html`<span class="number">${banner.number}</span>` : nothing}
    ${near === null ? nothing : html`<span class="near">${nearest!.name} <span class="bar" aria-hidden="true"><span .style=${`width:${(near * 100).toFixed(1)}%`}></span></span> ${Math.round(near * 100)} %</span>`}</a></li>`;
}

export class FleetView {
  readonly root = el("nav", { class: "fleet" });

  /// `whole`: nothing else is shown, so it has the page's headline.
  show(cards: Card[], chosen: string, whole: boolean, wall: boolean): void {
    mark(this.root, "data-whole", whole ? "yes" : null);
    mark(this.root, "aria-label", t.fleet.choose);
    render(
      html`${whole ? html`<h1>${t.fleet.title}</h1>` : nothing}
      <ul class="cards">${repeat(
        cards,
        (one) => one.id,
        (one) => card(one, chosen, wall),
      )}</ul>
      ${cards.length ? nothing : html`<p class="none">${t.fleet.none}</p>`}`,
      this.root,
    );
  }
}
