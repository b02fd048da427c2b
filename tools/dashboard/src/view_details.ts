// Details for who looks closer: every sensor and what it is worth, and the daemon itself.
import { el, mark, say, show } from "./dom";
import type { Channel, Device } from "./model";
import { withUnit } from "./words";

/// Faults with RF on and off, in words, where the difference tells something.
export function suspicion(channel: Channel): string {
  const keyed = channel.goodKeyed + channel.faultsKeyed;
  const idle = channel.goodIdle + channel.faultsIdle;
  if (keyed + idle === 0) return "";
  const share = (faults: number, all: number) => (all ? (faults / all) * 100 : 0);
  const percent = (x: number) => (x === 0 ? "none" : x < 0.1 ? "under 0.1 %" : `${x.toFixed(1)} %`);
  const [on, off] = [share(channel.faultsKeyed, keyed), share(channel.faultsIdle, idle)];
  if (on === 0 && off === 0) return "no faults";
  const text = `faults ${percent(on)} while keyed, ${off === 0 ? "none" : percent(off)} otherwise`;
  return channel.faultsKeyed >= 5 && on > 4 * off && on > 0.1 ? `${text}: suspect RF on this cable` : text;
}

export class DetailsView {
  readonly root: HTMLElement;
  private readonly sensors = el("tbody");
  private readonly service = el("dl");
  private readonly alerts = el("ul", { class: "alerts" });
  private readonly rows = new Map<string, HTMLElement>();

  constructor() {
    const head = el("tr");
    for (const title of ["Quantity", "Value", "Between", "Quality", "Faults"]) head.append(el("th", { scope: "col" }, title));
    this.root = el("section", { class: "details", "aria-labelledby": "details-title" }, el("h2", { id: "details-title" }, "Details"),
      el("details", {}, el("summary", {}, "Everything that is measured, and what it is worth"),
         el("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Measured quantities" },
            el("table", {}, el("thead", {}, head), this.sensors))),
      el("details", {}, el("summary", {}, "The daemon and its standing alerts"), this.service, this.alerts));
  }

  show(device: Device | undefined, broker: string): void {
    const measured = device?.nodes.get("measurements")?.properties ?? new Map();
    for (const [id, row] of this.rows) {
      if (measured.has(id)) continue;
      row.remove();
      this.rows.delete(id);
    }
    for (const [id, property] of measured) {
      let row = this.rows.get(id);
      if (!row) {
        row = el("tr", {}, el("th", { scope: "row" }), el("td"), el("td"), el("td"), el("td"));
        this.rows.set(id, row);
        this.sensors.append(row);
      }
      const known = device!.quantities.get(id);
      const channel = device!.channels.find((one) => one.id === id);
      const words = property.datatype === "boolean" && known && known.value !== null
        ? (property.format.split(",")[known.value ? 1 : 0] ?? "") : null;
      const span = known && known.low !== null && known.value !== null
        ? `${withUnit(known.low, "")} and ${known.high === null || known.high >= 1e9 ? "any" : withUnit(known.high, property.unit)}` : "";
      const cells = [...row.children] as HTMLElement[];
      say(cells[0]!, property.name);
      say(cells[1]!, words ?? (known && known.value !== null ? withUnit(known.value, property.unit) : "–"));
      say(cells[2]!, words === null ? span : "");
      say(cells[3]!, known?.quality ?? "unknown");
      mark(row, "data-quality", known?.quality === "good" ? "good" : "other");
      say(cells[4]!, channel ? suspicion(channel) : "");
    }
    const facts: [string, string][] = [["Broker", broker]];
    const service = device?.nodes.get("service")?.properties ?? new Map();
    for (const [id, property] of service) {
      if (property.datatype !== "json") facts.push([property.name, device!.values.get(`service/${id}`) ?? "–"]);
    }
    while (this.service.children.length > facts.length * 2) this.service.lastElementChild!.remove();
    facts.forEach(([name, value], i) => {
      if (!this.service.children[i * 2]) this.service.append(el("dt"), el("dd"));
      say(this.service.children[i * 2]!, name);
      say(this.service.children[i * 2 + 1]!, value);
    });
    const alerts = [...(device?.alerts.values() ?? [])];
    show(this.alerts, alerts.length > 0);
    while (this.alerts.children.length > alerts.length) this.alerts.lastElementChild!.remove();
    alerts.forEach((text, i) => {
      if (!this.alerts.children[i]) this.alerts.append(el("li"));
      say(this.alerts.children[i]!, text);
    });
  }
}
