// What happened, newest first.
import { captureOf, type Capture } from "./capture";
import { viewersTime, type Device, type Happening } from "./model";
import { el, mark, say, show } from "./dom";
import { clock } from "./words";

const shown = 100;

export class EventsView {
  readonly root: HTMLElement;
  private readonly list = el("ol", { class: "events", reversed: "" });
  private readonly none = el("p", { class: "none" }, "Nothing since this page knows of it.");
  private drawn = "";

  constructor(private readonly open: (capture: Capture, at: number | null) => void) {
    this.root = el("section", { class: "happened", "aria-labelledby": "happened-title" },
                   el("h2", { id: "happened-title" }, "What happened"), this.none,
                   el("div", { class: "scroll", tabindex: "0", role: "group", "aria-labelledby": "happened-title" }, this.list));
  }

  show(device: Device | undefined, now: number): void {
    const all = device?.happenings ?? [];
    const last = all[all.length - 1];
    const key = device ? `${device.id} ${all.length} ${last?.epoch} ${last?.number} ${new Date(now).getDate()}` +
                         [...device.captures.values()].map((capture) => ` ${capture.at_s}`).join("") : "";
    if (key === this.drawn) return;
    this.drawn = key;
    show(this.none, all.length === 0);
    const rows = all.slice(-shown).reverse();
    while (this.list.children.length > rows.length) this.list.lastElementChild!.remove();
    rows.forEach((one, i) => {
      let row = this.list.children[i] as HTMLElement | undefined;
      if (!row) {
        row = el("li", {}, el("time"), el("span", { class: "sign", "aria-hidden": "true" }), el("span", { class: "kind" }),
                 el("span", { class: "text" }), el("button", { type: "button", class: "seconds" }, "Seconds around it"));
        this.list.append(row);
      }
      this.fill(row, one, device!, now);
    });
  }

  private fill(row: HTMLElement, one: Happening, device: Device, now: number): void {
    const [time, signs, kind, text] = [...row.children] as [HTMLElement, HTMLElement, HTMLElement, HTMLElement];
    mark(row, "data-severity", one.severity);
    const at = viewersTime(device, one);
    say(time, at === null ? "clock not set" : clock(at, now));
    const button = row.children[4] as HTMLButtonElement;
    const capture = one.kind === "tripped" ? captureOf(device.captures.values(), one) : undefined;
    show(button, capture !== undefined);
    mark(button, "aria-label", capture ? `Seconds around it: ${one.text}` : null);
    button.onclick = capture ? () => this.open(capture, at) : null;
    mark(time, "datetime", one.synchronised && Number.isFinite(one.wall) ? new Date(one.wall).toISOString() : null);
    say(signs, one.sign);
    say(kind, one.kind);
    say(text, one.text);
  }
}
