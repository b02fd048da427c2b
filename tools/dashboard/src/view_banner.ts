// The top of the page: the permit, as a contact that is closed or open, and in words.
import type { Banner } from "./banner";
import { el, lines, mark, say, svg } from "./dom";

export class BannerView {
  readonly root: HTMLElement;
  readonly acts: HTMLElement;
  private readonly word = el("h1", { id: "word" });
  private readonly answer = el("p", { class: "answer", id: "answer" });
  private readonly facts = el("div", { class: "facts" });
  private readonly urgent = el("div", { class: "unseen", role: "alert" });
  private readonly quiet = el("div", { class: "unseen", role: "status" });
  private said = "";

  constructor() {
    // Drawn as the trade draws it: two terminals and a blade between them.
    const contact = svg("svg", { class: "contact", viewBox: "0 0 120 48", "aria-hidden": "true", focusable: "false" },
      svg("circle", { cx: "16", cy: "34", r: "6" }), svg("circle", { cx: "104", cy: "34", r: "6" }),
      svg("line", { class: "blade", x1: "16", y1: "34", x2: "104", y2: "34" }),
      svg("line", { class: "bar", x1: "45", y1: "44", x2: "75", y2: "6" }));
    const wire = el("div", { class: "wire", "aria-hidden": "true" }, el("span", { class: "lead" }), contact,
                    el("span", { class: "lead far" }));
    this.acts = el("div", { class: "acts" });
    this.root = el("section", { class: "permit", "aria-labelledby": "word" }, wire,
                   el("div", { class: "says" }, this.word, this.answer, this.facts), this.acts, this.urgent, this.quiet);
  }

  show(banner: Banner, name: string): void {
    mark(this.root, "data-tone", banner.tone);
    mark(this.root, "data-contact", banner.contact);
    say(this.word, banner.word);
    say(this.answer, banner.answer);
    lines(this.facts, "p", banner.facts);
    // "No news for 5 s" is said once, not each second.
    const key = banner.word.replace(/ for .*/, "");
    if (key !== this.said) {
      const first = this.said === "";
      this.said = key;
      const sentence = `${banner.word}. ${banner.answer}`;
      const calm = first || banner.tone === "go" || banner.tone === "wait";
      say(this.urgent, calm ? "" : sentence);
      say(this.quiet, calm ? sentence : "");
    }
    const title = name ? `${banner.word} · ${name}` : banner.word;
    if (document.title !== title) document.title = title;
  }

  /// A trip that adds a cause changes no state, and must be heard nevertheless.
  announce(sentence: string): void {
    say(this.urgent, sentence);
  }
}
