// Hold by a press that is kept for most of a second; Release and Reset after a question.
import { html, nothing, render } from "lit-html";

import {
  answers,
  answerStands_ms,
  answerWithin_ms,
  consequences,
  keepPressed_ms,
  longestReason,
  offers,
  undoing,
  type Command,
  type Offer,
  type Pending,
} from "../model/commands";
import { el, mark } from "./dom";
import { t } from "../text/language";
import type { Device, Happening } from "../model/model";

export class ActsView {
  private readonly dialog = el("dialog", { "aria-labelledby": "ask-title" });
  private outcome = { text: "", kind: "", at: 0 };
  private pending: Pending | null = null;
  private asked: Command | null = null;
  private askedAt = 0;
  private pressed: { timer: ReturnType<typeof setTimeout>; button: HTMLElement; at: number } | null = null;
  private device: Device | undefined;
  private connected = false;

  constructor(
    private readonly root: HTMLElement,
    private readonly send: (device: string, command: Command, reason: string) => boolean,
  ) {
    this.dialog.addEventListener("close", () => (this.asked = null));
  }

  show(device: Device | undefined, connected: boolean): void {
    const now = performance.now();
    if (this.device && device?.id !== this.device.id) {
      this.pending = null;
      this.dialog.close();
      this.say("", "");
    }
    this.device = device;
    this.connected = connected;
    const found = offers(device);
    // What isn't allowed any more, or was asked long ago, is not left open to be pressed.
    if (this.asked && !found.some((offer) => offer.command === this.asked)) this.dialog.close();
    if (this.asked && now - this.askedAt > answerStands_ms) {
      this.dialog.close();
      this.say(t.acts.expired, "none");
    }
    if (this.pending && now - this.pending.sent > answerWithin_ms) {
      this.say(t.acts.noAnswer(t.acts[this.pending.command]), "none");
      this.pending = null;
    }
    if (this.outcome.text && now - this.outcome.at > answerStands_ms) this.say("", "");
    this.draw(found);
  }

  /// To be told of everything that happens.
  happened(device: string, one: Happening): void {
    if (!this.pending || this.pending.device !== device || !answers(this.pending.command, one)) return;
    this.say(`dekeyd: ${one.text || one.kind}`, one.kind);
    this.pending = null;
  }

  private say(text: string, kind: string): void {
    this.outcome = { text, kind, at: performance.now() };
    this.draw(offers(this.device));
  }

  private draw(found: Offer[]): void {
    const holds = found.some((offer) => offer.command === "hold");
    render(
      html`${found.length ? html`<div class="buttons" role="group" aria-label=${t.acts.commands}>${found.map((offer) => this.button(offer))}</div>` : nothing}
      ${holds ? html`<label class="why"><span>${t.acts.why}</span><input name="why" maxlength=${longestReason} autocomplete="off" /></label>` : nothing}
      ${holds && this.device ? html`<p class="undoing" id="undoing">${t.acts.keep} ${undoing(this.device)}</p>` : nothing}
      <p class="outcome" role="status" data-outcome=${this.outcome.kind || nothing}>${this.outcome.text}</p>${this.dialog}`,
      this.root,
    );
    if (this.asked && this.device) this.question(this.asked, this.device);
  }

  private button(offer: Offer) {
    const disabled = this.connected ? nothing : "true";
    if (offer.asks) {
      return html`<button type="button" class=${offer.command} data-command=${offer.command} aria-disabled=${disabled} @click=${() => this.ask(offer.command)}>${offer.label}</button>`;
    }
    return html`<button type="button" class=${offer.command} data-command=${offer.command} aria-disabled=${disabled} aria-describedby="undoing"
      @pointerdown=${this.down} @pointerup=${this.up} @pointercancel=${this.up} @pointerleave=${this.up} @contextmenu=${(event: Event) => event.preventDefault()}
      @keydown=${this.keyDown} @keyup=${this.keyUp} @blur=${this.up} @click=${this.clicked}><span class="fill" aria-hidden="true"></span><span>${offer.label}</span></button>`;
  }

  private readonly down = (event: PointerEvent) => {
    if (event.button === 0 && event.isPrimary) this.press(event);
  };
  private readonly up = (event: Event) => {
    if (!this.pressed) return;
    // A busy browser hears of the end before its timer runs: the gesture's own times count.
    const long = event.timeStamp - this.pressed.at >= keepPressed_ms;
    this.unpress();
    if (long) this.go("hold");
    else this.say(t.acts.tooShort, "short");
  };
  private readonly keyDown = (event: KeyboardEvent) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    if (!event.repeat) this.press(event);
  };
  private readonly keyUp = (event: KeyboardEvent) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    this.up(event);
  };
  /// Neither pointer nor key: an aid asks for it, which takes a gesture of its own there.
  private readonly clicked = (event: MouseEvent & { pointerType?: string }) => {
    if (event.detail === 0 && !event.pointerType) this.go("hold");
  };

  private press(event: Event): void {
    if (this.pressed) return;
    const button = event.currentTarget as HTMLElement;
    mark(button, "data-pressed", "yes");
    const timer = setTimeout(() => {
      this.unpress();
      this.go("hold");
    }, keepPressed_ms);
    this.pressed = { timer, button, at: event.timeStamp };
  }

  private unpress(): void {
    clearTimeout(this.pressed?.timer);
    if (this.pressed) mark(this.pressed.button, "data-pressed", null);
    this.pressed = null;
  }

  private question(command: Command, device: Device): void {
    render(
      html`<h2 id="ask-title">${command === "release" ? t.acts.askRelease : t.acts.askReset}</h2>
      <div>${consequences(command, device).map((text) => html`<p>${text}</p>`)}</div>
      <div class="buttons"><button type="button" class="no" @click=${() => this.dialog.close()}>${t.acts.cancel}</button><button type="button" class="do" @click=${() => {
        this.dialog.close();
        this.go(command);
      }}>${t.acts[command]}</button></div>`,
      this.dialog,
    );
  }

  private ask(command: Command): void {
    if (!this.device) return;
    this.question(command, this.device);
    this.dialog.showModal();
    this.asked = command;
    this.askedAt = performance.now();
    this.dialog.querySelector<HTMLElement>(".no")!.focus();
  }

  private go(command: Command): void {
    if (!this.device) return;
    const word = t.acts[command];
    const why = command === "hold" ? this.root.querySelector<HTMLInputElement>("[name=why]") : null;
    if (!this.connected || !this.send(this.device.id, command, why?.value.trim() ?? "")) {
      this.say(t.acts.notSent(word), "none");
      return;
    }
    if (why) why.value = "";
    this.pending = { command, device: this.device.id, sent: performance.now() };
    this.say(t.acts.sent(word), "pending");
  }
}
