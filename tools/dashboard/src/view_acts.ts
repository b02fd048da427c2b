// Hold at one press; Release and Reset after a question.
import { answers, answerWithin_ms, consequences, offers, type Command, type Offer, type Pending } from "./acts";
import { el, lines, mark, say, show } from "./dom";
import type { Device, Happening } from "./model";

export class ActsView {
  private readonly buttons = el("div", { class: "buttons", role: "group", "aria-label": "Commands" });
  private readonly outcome = el("p", { class: "outcome", role: "status" });
  private readonly dialog = el("dialog", { "aria-labelledby": "ask-title" });
  private readonly title = el("h2", { id: "ask-title" });
  private readonly words = el("div");
  private readonly yes = el("button", { type: "button", class: "do" });
  private readonly no = el("button", { type: "button" }, "Cancel");
  private drawn = "";
  private pending: Pending | null = null;
  private asked: Command | null = null;
  private device: Device | undefined;
  private connected = false;

  constructor(parent: HTMLElement, private readonly send: (device: string, command: Command) => boolean) {
    this.dialog.append(this.title, this.words, el("div", { class: "buttons" }, this.no, this.yes));
    this.no.addEventListener("click", () => this.dialog.close());
    this.yes.addEventListener("click", () => {
      this.dialog.close();
      if (this.asked) this.go(this.asked);
    });
    parent.append(this.buttons, this.outcome, this.dialog);
  }

  show(device: Device | undefined, connected: boolean): void {
    if (this.device && device?.id !== this.device.id) {
      this.pending = null;
      this.dialog.close();
      say(this.outcome, "");
    }
    this.device = device;
    this.connected = connected;
    const found = offers(device);
    const key = found.map((offer) => offer.command).join();
    if (key !== this.drawn) {
      this.drawn = key;
      this.buttons.replaceChildren(...found.map((offer) => this.button(offer)));
      // What isn't allowed any more is not left open to be pressed.
      if (this.asked && !found.some((offer) => offer.command === this.asked)) this.dialog.close();
    }
    show(this.buttons, found.length > 0);
    for (const button of this.buttons.children) mark(button, "aria-disabled", connected ? null : "true");
    if (this.pending && performance.now() - this.pending.sent > answerWithin_ms) {
      say(this.outcome, `${word(this.pending.command)}: no answer from dekeyd. Go by the state shown here, not by this button.`);
      mark(this.outcome, "data-outcome", "none");
      this.pending = null;
    }
  }

  /// To be told of everything that happens.
  happened(device: string, one: Happening): void {
    if (!this.pending || this.pending.device !== device || !answers(this.pending.command, one)) return;
    say(this.outcome, `dekeyd: ${one.text || one.kind}`);
    mark(this.outcome, "data-outcome", one.kind);
    this.pending = null;
  }

  private button(offer: Offer): HTMLButtonElement {
    const button = el("button", { type: "button", class: offer.command, "data-command": offer.command }, offer.label);
    button.addEventListener("click", () => (offer.asks ? this.ask(offer.command) : this.go(offer.command)));
    return button;
  }

  private ask(command: Command): void {
    if (!this.device) return;
    this.asked = command;
    say(this.title, command === "release" ? "Release the hold?" : "Reset what is latched?");
    lines(this.words, "p", consequences(command, this.device));
    say(this.yes, word(command));
    this.dialog.showModal();
    this.no.focus();
  }

  private go(command: Command): void {
    if (!this.device) return;
    const sent = this.connected && this.send(this.device.id, command);
    mark(this.outcome, "data-outcome", sent ? "pending" : "none");
    if (!sent) {
      say(this.outcome, `${word(command)} was not sent: there is no connection to the broker. Nothing is kept to be sent later.`);
      return;
    }
    this.pending = { command, device: this.device.id, sent: performance.now() };
    say(this.outcome, `${word(command)} sent; waiting for dekeyd's answer.`);
  }
}

function word(command: Command): string {
  return { hold: "Hold", release: "Release", reset: "Reset" }[command];
}
