// The top of the page: the permit, as a contact that is closed or open, and in words.
import { html, nothing, render } from "lit-html";
import { repeat } from "lit-html/directives/repeat.js";

import type { Banner } from "../model/banner";
import { el, mark, say } from "./dom";
import { t } from "../text/language";
import type { Standing } from "../model/standing";

// Drawn as the trade draws it: two terminals and a blade between them.
const contact = html`<svg class="contact" viewBox="0 0 120 48" aria-hidden="true" focusable="false">
  <circle cx="16" cy="34" r="6"></circle><circle cx="104" cy="34" r="6"></circle>
  <line class="blade" x1="16" y1="34" x2="104" y2="34"></line><line class="bar" x1="45" y1="44" x2="75" y2="6"></line></svg>`;

const item = (
  one: Standing,
) => html`<li><strong>${one.what}</strong> <span>${[one.who, one.since].filter(Boolean).join(", ")}${one.way ? "." : ""}</span>
  ${one.way ? html`<span class="way">${one.way[0]!.toUpperCase()}${one.way.slice(1)}</span>` : nothing}</li>`;

export class BannerView {
  readonly root = el("section", { class: "permit", "aria-labelledby": "headline" });
  readonly acts = el("div", { class: "acts" });
  private readonly urgent = el("div", { class: "unseen", role: "alert" });
  private readonly quiet = el("div", { class: "unseen", role: "status" });
  private said = "";

  show(banner: Banner, name: string, asOf: string): void {
    mark(this.root, "data-tone", banner.tone);
    mark(this.root, "data-contact", banner.contact);
    render(
      html`<div class="inner">
      <div class="wire" aria-hidden="true"><span class="lead"></span>${contact}<span class="lead far"></span></div>
      <div class="says">
        <h1 id="headline"><span id="word">${banner.word}</span>${banner.number ? html` <span id="number">${banner.number}</span>` : nothing}</h1>
        <p class="answer" id="answer">${banner.answer}</p>
        <div class="facts">${banner.facts.map((fact) => html`<p>${fact}</p>`)}
          ${banner.standing.length ? html`<h2 class="unseen">${t.standing.title}</h2><ul class="standing">${repeat(banner.standing, (one) => one.id, item)}</ul>` : nothing}</div>
        <p class="asof">${asOf}</p>
      </div>${this.acts}</div>${this.urgent}${this.quiet}`,
      this.root,
    );
    // "No news for 5 s" is said once, not each second.
    const key = banner.word.replace(/\d.*/, "");
    if (key !== this.said) {
      const first = this.said === "";
      this.said = key;
      const sentence = `${banner.word}. ${banner.answer}`;
      const calm = first || banner.tone === "go" || banner.tone === "air" || banner.tone === "wait";
      say(this.urgent, calm ? "" : sentence);
      say(this.quiet, calm ? sentence : "");
    }
    const word = banner.tone === "stop" && banner.number ? `${banner.word}: ${banner.number}` : banner.word;
    const title = name ? `${word} · ${name}` : word;
    if (document.title !== title) document.title = title;
  }

  /// A trip that adds a cause changes no state, and must be heard nevertheless.
  announce(sentence: string): void {
    say(this.urgent, sentence);
  }
}
