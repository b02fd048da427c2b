// Details for who looks closer: every sensor and what it is worth, and the daemon itself.
import { chainColumns, chainRow, metres, ofToday, totals } from "./details";
import { el, mark, say, show } from "./dom";
import type { Channel, Device } from "./model";
import { clock, duration, number, withUnit } from "./words";

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

/// A table whose body is written row by row, only where something changed.
class Table {
  readonly body = el("tbody");
  readonly root: HTMLElement;

  constructor(private readonly columns: string[], label: string) {
    const head = el("tr");
    for (const title of columns) head.append(el("th", { scope: "col" }, title));
    this.root = el("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": label },
                   el("table", {}, el("thead", {}, head), this.body));
  }

  show(rows: string[][]): void {
    show(this.root, rows.length > 0);
    while (this.body.children.length > rows.length) this.body.lastElementChild!.remove();
    rows.forEach((cells, i) => {
      let row = this.body.children[i];
      if (!row) {
        row = el("tr", {}, el("th", { scope: "row" }), ...this.columns.slice(1).map(() => el("td")));
        this.body.append(row);
      }
      cells.forEach((cell, j) => say(row.children[j]!, cell));
    });
  }
}

const figure = (value: number | null, unit: string) => (value === null ? "–" : withUnit(value, unit));

export class DetailsView {
  readonly root: HTMLElement;
  private readonly transmissions = new Table(["Began", "Length", "Mean", "Peak", "Worst VSWR", "Hottest", "Energy", "Ended"], "Transmissions of today");
  private readonly sums = el("p", { class: "note" });
  private readonly chains = new Table(chainColumns, "From volts to watts");
  private readonly exposure = new Table(["Limit for", "Power density", "Averaged over", "Stay farther than", "Where that lies", "By"], "Distances from the antenna");
  private readonly exposureWords = el("p", { class: "note" });
  private readonly caution = el("p", { class: "caution" });
  private readonly noExposure = el("p", { class: "note" },
    "No antenna is configured, so no distance is worked out. That doesn't mean that none is needed.");
  private readonly sensors = el("tbody");
  private readonly service = el("dl");
  private readonly alerts = el("ul", { class: "alerts" });
  private readonly rows = new Map<string, HTMLElement>();

  constructor() {
    const head = el("tr");
    for (const title of ["Quantity", "Value", "Between", "Quality", "Faults"]) head.append(el("th", { scope: "col" }, title));
    this.root = el("section", { class: "details", "aria-labelledby": "details-title" }, el("h2", { id: "details-title" }, "Details"),
      el("details", { "data-part": "transmissions" }, el("summary", {}, "Transmissions of today"), this.transmissions.root, this.sums),
      el("details", { "data-part": "chains" }, el("summary", {}, "From the detectors' volts to watts on the line"), this.chains.root,
         el("p", { class: "note" }, "Worked back from the power shown, through the figures of the configuration.")),
      el("details", { "data-part": "exposure" }, el("summary", {}, "Distance to keep from the antenna"), this.caution, this.exposure.root,
         this.exposureWords, this.noExposure),
      el("details", { "data-part": "sensors" }, el("summary", {}, "Everything that is measured, and what it is worth"),
         el("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Measured quantities" },
            el("table", {}, el("thead", {}, head), this.sensors))),
      el("details", { "data-part": "service" }, el("summary", {}, "The daemon and its standing alerts"), this.service, this.alerts));
  }

  show(device: Device | undefined, broker: string, now: number): void {
    this.show_transmissions(device, now);
    this.chains.show(device?.chains.map((chain) => {
      const row = chainRow(device, chain);
      return [row.name, ...row.cells];
    }) ?? []);
    this.show_exposure(device);
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
        ? `${number(known.low, property.unit)} and ${known.high === null || known.high >= 1e9 ? "any" : withUnit(known.high, property.unit)}` : "";
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

  private show_transmissions(device: Device | undefined, now: number): void {
    const rows = device ? ofToday(device, now) : [];
    this.transmissions.show(rows.map((one) => [
      one.synchronised ? clock(one.start + device!.clockOffset, now) : "clock not set",
      one.length_s < 10 ? `${one.length_s.toFixed(1)} s` : duration(one.length_s), figure(one.mean_w, "W"),
      figure(one.peak_w, "W"), figure(one.vswr, ""), figure(one.hottest_c, "°C"), `${one.energy_wh.toFixed(2)} Wh`, one.ended]));
    say(this.sums, `${totals(rows)} dekeyd's log on the amplifier has them all.`);
  }

  private show_exposure(device: Device | undefined): void {
    const exposure = device?.exposure ?? null;
    say(this.caution, exposure?.caution ?? "");
    for (const element of [this.caution, this.exposureWords]) show(element, exposure !== null);
    show(this.noExposure, exposure === null);
    this.exposure.show(exposure?.cases.map((one) => [
      one.name, one.w_per_m2 === null ? "–" : `${+one.w_per_m2.toPrecision(3)} W/m²`, one.averaging_s > 0 ? `${+(one.averaging_s / 60).toFixed(1)} min` : "–",
      one.distance_m === null ? one.where : metres(one.distance_m), one.distance_m === null ? "" : `in the beam, ${one.where}`, one.edition]) ?? []);
    if (!exposure) return;
    const none = exposure.cases.length ? "" : " No limit is configured, so no distance is worked out.";
    say(this.exposureWords, `For ${figure(exposure.power_w, "W")} forward (the most that doesn't trip), ${figure(exposure.gain_dbi, "dB").replace("dB", "dBi")} ` +
      `of antenna gain, EIRP ${figure(exposure.eirp_w, "W")}, a duty of ${figure(exposure.duty_percent, "%")}, with ${exposure.ground_factor ?? "?"} for the ` +
      `ground's reflection; ${exposure.formula}.${none}`);
  }
}
