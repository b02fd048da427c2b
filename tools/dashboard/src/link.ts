// The connection to the broker that serves this page. Nothing is sent late: what can't go now is not queued.
import mqtt, { type MqttClient } from "mqtt";

import type { Link } from "./news";

export interface LinkEvents {
  message(topic: string, payload: string, retained: boolean): void;
  changed(link: Link): void;
}

export class Broker {
  private client: MqttClient | null = null;
  private topics: string[] = [];
  private state: Link = "connecting";

  constructor(readonly address: string, private readonly events: LinkEvents) {}

  connect(login?: { username: string; password: string }): void {
    this.client?.end(true);
    const id = Array.from(crypto.getRandomValues(new Uint8Array(6)), (b) => b.toString(16).padStart(2, "0")).join("");
    const client = mqtt.connect(this.address, {
      clientId: `dekeyd-page-${id}`,
      protocolVersion: 4,
      clean: true,
      keepalive: 30,
      connectTimeout: 5000,
      reconnectPeriod: 1500,
      resubscribe: false,
      queueQoSZero: false,
      timerVariant: "native",
      ...login,
    });
    this.client = client;
    this.turn("connecting");
    const decoder = new TextDecoder();
    client.on("connect", () => {
      if (client !== this.client) return;
      this.turn("connected");
      if (this.topics.length) client.subscribe(this.topics, { qos: 1 });
    });
    client.on("message", (topic, payload, packet) => {
      if (client === this.client) this.events.message(topic, decoder.decode(payload), packet.retain);
    });
    client.on("close", () => {
      if (client === this.client && this.state !== "refused") this.turn("lost");
    });
    client.on("error", (error) => {
      if (client !== this.client) return;
      const code = (error as { code?: unknown }).code;
      if (code === 4 || code === 5) {  // bad user or password, not authorised
        this.turn("refused");
        client.end(true);
      }
    });
  }

  follow(topics: string[]): void {
    const gone = this.topics.filter((topic) => !topics.includes(topic));
    const fresh = topics.filter((topic) => !this.topics.includes(topic));
    this.topics = topics;
    if (!this.client?.connected) return;
    if (gone.length) this.client.unsubscribe(gone);
    if (fresh.length) this.client.subscribe(fresh, { qos: 1 });
  }

  /// False: there is no connection, and nothing was sent.
  send(topic: string, payload: string): boolean {
    if (!this.client?.connected) return false;
    this.client.publish(topic, payload, { qos: 0, retain: false });
    return true;
  }

  private turn(state: Link): void {
    if (this.state === state) return;
    this.state = state;
    this.events.changed(state);
  }
}
