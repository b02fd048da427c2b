// The connection to the broker that serves this page. Nothing is sent late: what can't go now is not queued.
import type { Link } from "../model/freshness";
import {
  connect,
  disconnect,
  pingreq,
  publish,
  puback,
  Reader,
  subscribe,
  unsubscribe,
  type Login,
  type Packet,
} from "./mqtt_packets";

export interface LinkEvents {
  message(topic: string, payload: string, retained: boolean): void;
  changed(link: Link): void;
}

const connectWithin_ms = 5000;
const tryAgainAfter_ms = { first: 1000, most: 15000 };
const keepAlive_s = 30;
const ping_ms = 10000;

/// Doubles from try to try, by a share of chance, so that all pages of a broker that was away don't come at once.
export function waitBefore(attempt: number, chance: number): number {
  const whole = Math.min(tryAgainAfter_ms.most, tryAgainAfter_ms.first * 2 ** attempt);
  return whole * (0.5 + chance / 2);
}

export class Broker {
  private socket: WebSocket | null = null;
  private up = false;
  private login: Login | undefined;
  private topics: string[] = [];
  private state: Link = "connecting";
  private ids = 0;
  private unanswered = 0; ///< pings
  private attempts = 0; ///< since the last connection
  private timer: ReturnType<typeof setTimeout> | undefined;

  constructor(
    readonly address: string,
    private readonly events: LinkEvents,
  ) {}

  connect(login?: Login): void {
    this.login = login;
    this.attempts = 0;
    this.turn("connecting");
    this.open();
  }

  follow(topics: string[]): void {
    const gone = this.topics.filter((topic) => !topics.includes(topic));
    const fresh = topics.filter((topic) => !this.topics.includes(topic));
    this.topics = topics;
    if (!this.up) return;
    if (gone.length) this.put(unsubscribe(this.nextId(), gone));
    if (fresh.length) this.put(subscribe(this.nextId(), fresh));
  }

  /// False: there is no connection, and nothing was sent.
  send(topic: string, payload: string): boolean {
    if (!this.up || this.socket?.readyState !== WebSocket.OPEN) return false;
    this.put(publish(topic, payload));
    return true;
  }

  private open(): void {
    this.close();
    const socket = new WebSocket(this.address, "mqtt");
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    const reader = new Reader();
    const id = Array.from(crypto.getRandomValues(new Uint8Array(6)), (b) => b.toString(16).padStart(2, "0")).join("");
    this.after(connectWithin_ms, () => this.lost());
    socket.onopen = () => this.put(connect(`dekeyd-page-${id}`, keepAlive_s, this.login));
    socket.onclose = () => {
      if (socket === this.socket) this.lost();
    };
    socket.onmessage = (message: MessageEvent<ArrayBuffer>) => {
      if (socket !== this.socket) return;
      try {
        for (const packet of reader.take(new Uint8Array(message.data))) this.hear(packet);
      } catch (error) {
        if (!(error instanceof RangeError)) throw error;
        this.lost();
      }
    };
  }

  private hear(packet: Packet): void {
    switch (packet.kind) {
      case "connack":
        if (packet.code === 4 || packet.code === 5) {
          // bad user or password, not authorised
          this.close();
          this.turn(this.login ? "wrong" : "refused");
          this.again(); // its list of users may be mended meanwhile
        } else if (packet.code !== 0) {
          this.lost();
        } else {
          this.up = true;
          this.attempts = 0;
          this.unanswered = 0;
          this.turn("connected");
          if (this.topics.length) this.put(subscribe(this.nextId(), this.topics));
          this.ping();
        }
        return;
      case "publish":
        if (packet.qos === 1) this.put(puback(packet.id));
        this.events.message(packet.topic, packet.payload, packet.retained);
        return;
      case "pingresp":
        this.unanswered = 0;
        return;
      default:
    }
  }

  private ping(): void {
    this.after(ping_ms, () => {
      if (this.unanswered > 1) {
        this.lost();
        return;
      }
      ++this.unanswered;
      this.put(pingreq());
      this.ping();
    });
  }

  private lost(): void {
    this.close();
    this.turn("lost");
    this.again();
  }

  /// At once, for a reason that has just come: a network, or somebody who looks.
  hurry(): void {
    if (this.up || this.socket) return;
    this.attempts = 0;
    this.open();
  }

  private again(): void {
    this.after(waitBefore(this.attempts++, Math.random()), () => this.open());
  }

  private close(): void {
    clearTimeout(this.timer);
    const socket = this.socket;
    this.socket = null;
    if (this.up && socket?.readyState === WebSocket.OPEN) socket.send(disconnect());
    this.up = false;
    socket?.close();
  }

  /// One thing at a time is waited for.
  private after(milliseconds: number, what: () => void): void {
    clearTimeout(this.timer);
    this.timer = setTimeout(what, milliseconds);
  }

  private put(packet: Uint8Array<ArrayBuffer>): void {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(packet);
  }

  private nextId(): number {
    this.ids = (this.ids % 0xffff) + 1;
    return this.ids;
  }

  private turn(state: Link): void {
    if (this.state === state) return;
    this.state = state;
    this.events.changed(state);
  }
}
