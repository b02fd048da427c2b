// What is known of the amplifiers on a broker, from their messages alone. Pure: time comes in as an argument.
//
// A value that the broker had retained is known, but it isn't news: only a summary that came live, with a sequence
// number of its own, proves that the daemon decides.

import { newDevice, type Device, type Happening, type Moment } from "./device";
import { takeHappenings } from "./events";
import { parse } from "../broker/untyped";
import { mostValues, takeDescription, takeValue } from "../broker/read_messages";

export * from "./device";
export { keptHappenings, sinceStart, viewersTime } from "./events";

const largestPayload = 256 * 1024;
const mostDevices = 64;

export class Fleet {
  readonly devices = new Map<string, Device>();

  /// Devices that are what this page is for: those that say whether they permit.
  known(): Device[] {
    return [...this.devices.values()]
      .filter((device) => device.nodes.get("permit")?.properties.has("permit"))
      .sort((a, b) => a.name.localeCompare(b.name) || a.id.localeCompare(b.id));
  }

  get(id: string): Device | undefined {
    return this.devices.get(id);
  }

  /// What only the chosen device's topics carry; what the cards need stays.
  forgetValues(id: string): void {
    const device = this.devices.get(id);
    if (!device) return;
    for (const map of [device.values, device.alerts, device.captures]) map.clear();
    device.transmissions = [];
    device.onDisk = [];
    device.happenings = [];
  }

  /// Takes one message; returns what happened newly in it, oldest first.
  take(topic: string, payload: string, retained: boolean, now: Moment): Happening[] {
    if (payload.length > largestPayload) return [];
    const parts = topic.split("/");
    if (parts[0] === "dekeyd" && parts[2] === "event" && parts.length === 3) {
      const device = this.devices.get(parts[1]!);
      return device ? takeHappenings(device, [parse(payload)], true) : [];
    }
    if (parts[0] !== "homie" || parts[1] !== "5" || parts.length < 4) return [];
    const id = parts[2]!;
    let device = this.devices.get(id);
    if (!device) {
      if (!payload || this.devices.size >= mostDevices) return [];
      device = newDevice(id);
      this.devices.set(id, device);
    }
    const [node, property] = [parts[3]!, parts[4]];
    if (node === "$state" && parts.length === 4) {
      device.connection = payload;
      if (!payload && !device.nodes.size) this.devices.delete(id);
      return [];
    }
    if (node === "$description" && parts.length === 4) {
      if (payload) takeDescription(device, payload);
      else this.devices.delete(id);
      return [];
    }
    if (node === "$alert" && parts.length === 5) {
      if (!payload) device.alerts.delete(property!);
      else if (device.alerts.size < mostValues) device.alerts.set(property!, payload);
      return [];
    }
    if (node.startsWith("$") || parts.length !== 5) return [];
    return takeValue(device, node, property!, payload, retained, now);
  }
}
