// The ladder: a lane for each limit, all drawn to one edge.
import type { Rung } from "./ladder";
import { edge } from "./ladder";
import { el, mark, say, show } from "./dom";

interface Row {
  root: HTMLElement;
  title: HTMLElement;
  tag: HTMLElement;
  value: HTMLElement;
  room: HTMLElement;
  lane: HTMLElement;
  warn: HTMLElement;
  clear: HTMLElement;
  recent: HTMLElement;
  doubt: HTMLElement;
  mark: HTMLElement;
  trip: HTMLElement;
}

const percent = (x: number) => `${(x * 100).toFixed(2)}%`;

function stretch(element: HTMLElement, from: number | null, to: number | null): void {
  show(element, from !== null && to !== null);
  if (from === null || to === null) return;
  element.style.left = percent(Math.min(from, to));
  element.style.width = percent(Math.abs(to - from));
}

function place(element: HTMLElement, at: number | null): void {
  show(element, at !== null);
  if (at !== null) element.style.left = percent(at);
}

const tags: Record<string, string> = {
  inside: "",
  warning: "▲ warning",
  waiting: "◷ waits to clear",
  tripped: "■ tripped",
  latched: "■ latched",
  resting: "",
  unknown: "? not known",
};

export class LadderView {
  readonly root: HTMLElement;
  private readonly list = el("ul", { class: "ladder" });
  private readonly none = el("p", { class: "none" });
  private rows = new Map<string, Row>();

  constructor() {
    const key = el("p", { class: "key" });
    for (const [sign, text] of [["mark", "now"], ["doubt", "its uncertainty"], ["recent", "last 5 minutes"], ["warn", "warns"], ["trip", "trips"]]) {
      key.append(el("span", {}, el("i", { class: `k-${sign}`, "aria-hidden": "true" }), text!));
    }
    this.root = el("section", { class: "room", "aria-labelledby": "room-title" },
                   el("h2", { id: "room-title" }, "Room to each limit"), key, this.list, this.none);
  }

  show(rungs: Rung[], stale: boolean, none: string): void {
    mark(this.root, "data-stale", stale ? "yes" : null);
    say(this.none, rungs.length ? "" : none);
    show(this.none, rungs.length === 0);
    const ids = new Set(rungs.map((rung) => rung.id));
    for (const [id, row] of this.rows) {
      if (ids.has(id)) continue;
      row.root.remove();
      this.rows.delete(id);
    }
    rungs.forEach((rung, i) => {
      let row = this.rows.get(rung.id);
      if (!row) {
        row = this.build();
        this.rows.set(rung.id, row);
      }
      if (this.list.children[i] !== row.root) this.list.insertBefore(row.root, this.list.children[i] ?? null);
      this.fill(row, rung, stale);
    });
  }

  private build(): Row {
    const part = (name: string) => el("span", { class: name });
    const [title, tag, value, room] = [part("title"), part("tag"), part("value"), part("headroom")];
    const [warn, clear, recent, doubt, now, trip] =
      [part("warn"), part("clear"), part("recent"), part("doubt"), part("now"), part("trip")];
    const past = part("past");
    past.style.left = percent(edge);
    trip.style.left = percent(edge);
    const lane = el("div", { class: "lane" }, part("track"), past, recent, clear, warn, trip, doubt, now);
    const root = el("li", { class: "rung" }, title, tag, value, lane, room);
    return { root, title, tag, value, room, lane, warn, clear, recent, doubt, mark: now, trip };
  }

  private fill(row: Row, rung: Rung, stale: boolean): void {
    mark(row.root, "data-condition", rung.condition);
    mark(row.root, "data-trips", rung.trips ? "yes" : "no");
    mark(row.root, "data-measured", rung.measured ? "yes" : "no");
    say(row.title, rung.title);
    // What exists only with RF is no fault while there is none.
    const idle = !rung.measured && rung.room === "exists only with RF" && rung.condition === "unknown";
    say(row.tag, idle ? "" : (tags[rung.condition] ?? ""));
    say(row.value, rung.value);
    say(row.room, rung.room);
    mark(row.trip, "data-level", rung.tripText);
    stretch(row.recent, rung.recent?.[0] ?? null, rung.recent?.[1] ?? null);
    stretch(row.doubt, rung.low, rung.high);
    place(row.mark, rung.at);
    place(row.warn, rung.warn);
    mark(row.warn, "data-level", rung.warnText);
    place(row.clear, rung.clear);
    const spoken = stale ? `old: ${rung.spoken}` : rung.spoken;
    if (rung.share !== null && !stale) {
      mark(row.lane, "role", "meter");
      mark(row.lane, "aria-valuemin", "0");
      mark(row.lane, "aria-valuemax", "100");
      mark(row.lane, "aria-valuenow", String(Math.round(Math.min(1, Math.max(0, rung.share)) * 100)));
      mark(row.lane, "aria-valuetext", spoken);
      mark(row.lane, "aria-label", rung.title);
    } else {
      for (const name of ["aria-valuemin", "aria-valuemax", "aria-valuenow", "aria-valuetext"]) mark(row.lane, name, null);
      mark(row.lane, "role", "img");
      mark(row.lane, "aria-label", `${rung.title}: ${spoken}`);
    }
  }
}
