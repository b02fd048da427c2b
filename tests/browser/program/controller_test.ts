// A Homie 5 controller that is not ours: it discovers the amplifier, and must understand all that is announced.
import mqtt from "mqtt";
import { DeviceDiscovery, type HomieDevice } from "node-homie";
import { validateHomieValue } from "node-homie/util";
import { afterAll, beforeAll, describe, expect, test } from "vitest";

import { Broker, until } from "../stage";
import { Station } from "../station";

interface Announced {
  name: string;
  datatype: string;
  format?: string;
  unit?: string;
  settable?: boolean;
  retained?: boolean;
}
interface Description {
  version: number;
  nodes: Record<string, { name: string; properties: Record<string, Announced> }>;
}

const id = "hilltop-demo";
const broker = new Broker();
let station: Station;
let discovery: DeviceDiscovery;
const devices = new Map<string, HomieDevice>();
/// Descriptions that the controller would not have, by the device.
const refused = new Map<string, string>();
/// What lies at the broker, read without the controller.
const kept = new Map<string, string>();
let client: mqtt.MqttClient;

beforeAll(async () => {
  await broker.start();
  station = await Station.start(broker.port, "remote_release: true, remote_reset: true");
  client = await mqtt.connectAsync(`mqtt://127.0.0.1:${broker.port}`);
  client.on("message", (topic, payload) => {
    if (payload.length) kept.set(topic, payload.toString());
    else kept.delete(topic);
  });
  await client.subscribeAsync("homie/5/#");
  discovery = new DeviceDiscovery({ url: `mqtt://127.0.0.1:${broker.port}`, topicRoot: "homie", clean: true });
  discovery.events$.subscribe((event) => {
    if (event.type !== "add" || devices.has(event.deviceId)) return;
    const device = event.makeDevice();
    devices.set(event.deviceId, device);
    const update = device.updateFromDescription.bind(device);
    device.updateFromDescription = (one) => update(one).catch((error: unknown) => void refused.set(device.id, String(error)));
    void device.onInit();
  });
  await discovery.onInit();
}, 120000);
afterAll(async () => {
  for (const device of devices.values()) await device.onDestroy();
  await discovery?.onDestroy();
  await client?.endAsync(true);
  await station?.end();
  await broker.end();
});

const announced = (device: string) => JSON.parse(kept.get(`homie/5/${device}/$description`) ?? "{}") as Description;

/// Each property that the description announces, with what the controller made of it.
function properties(device: string) {
  return Object.entries(announced(device).nodes).flatMap(([nodeId, node]) =>
    Object.entries(node.properties).map(([propertyId, wanted]) => ({
      at: `${nodeId}/${propertyId}`, wanted, found: devices.get(device)?.get(nodeId)?.get(propertyId) })));
}

/// An empty payload takes a value away.
const valueOf = (device: string, node: string, property: string) => devices.get(device)?.get(node)?.get(property)?.value || undefined;

/// With RF, so that all there is to measure is measured.
async function transmits(): Promise<void> {
  await station.transmit();
  await until("VSWR, which is there with RF alone", () => {
    if (refused.has(id)) throw new Error(refused.get(id));
    return kept.has(`homie/5/${id}/measurements/vswr`) && valueOf(id, "measurements", "vswr");
  }, 60);
}

/// What the controller doesn't have as it is announced, or has a value of that its datatype and format don't allow.
function misunderstood(device: string): string[] {
  const wrong: string[] = [];
  for (const { at, wanted, found } of properties(device)) {
    if (!found) {
      wrong.push(`${at}: not found`);
      continue;
    }
    const has = found.attributes;
    for (const key of ["name", "datatype", "unit", "format"] as const) {
      if (has[key] !== wanted[key]) wrong.push(`${at}: ${key} ${String(has[key])}, announced ${String(wanted[key])}`);
    }
    if (has.settable !== (wanted.settable ?? false)) wrong.push(`${at}: settable ${String(has.settable)}`);
    if (has.retained !== (wanted.retained ?? true)) wrong.push(`${at}: retained ${String(has.retained)}`);
    const value = found.value || undefined;
    if (value !== undefined && !validateHomieValue(value, has.datatype, has.format)) wrong.push(`${at}: '${value}' is no ${has.datatype} ${has.format ?? ""}`);
  }
  return wrong;
}

describe("another's controller", () => {
  test("finds the amplifier, its nodes and all of its properties, in the number announced", async () => {
    await station.permit();
    await until("the device, ready", () => devices.get(id)?.state === "ready", 60);
    await transmits();
    expect([...refused.values()]).toEqual([]);
    const device = devices.get(id)!;
    const { nodes, version } = announced(id);
    expect(device.version).toBe(version);
    expect(device.homie).toBe("5.0");
    expect(Object.keys(device.nodes).sort()).toEqual(Object.keys(nodes).sort());
    const counts = (of: Record<string, { properties: object }>) => Object.fromEntries(Object.entries(of).map(([node, one]) => [node, Object.keys(one.properties).length]));
    expect(counts(device.nodes as never)).toEqual(counts(nodes));
    expect(properties(id).length).toBeGreaterThan(80);
    await until("each value that the broker keeps", () => [...kept.keys()].every((topic) => {
      const [, , owner, node, property] = topic.split("/");
      const ofTheMoment = nodes[node!]?.properties[property!]?.retained === false; // the broker keeps none
      return owner !== id || node!.startsWith("$") || ofTheMoment || valueOf(id, node!, property!) !== undefined;
    }), 60);
    expect(misunderstood(id)).toEqual([]);
  }, 300000);

  test("has a value wherever one is due; with its unit, in its type", async () => {
    await transmits();
    const device = devices.get(id)!;
    const none = properties(id).filter(({ wanted, found }) => wanted.retained !== false && !found?.value).map(({ at }) => at);
    // What only a trip leaves behind, and what its quality says to be not known: both are announced, and empty.
    const empty = (at: string) => /^recorder\/capture-[1-9]$/.test(at) ||
      (at.startsWith("measurements/") && !["good", undefined].includes(device.get("quality")?.get(at.split("/")[1]!)?.value));
    expect(none.filter((at) => !empty(at))).toEqual([]);
    const forward = device.get("measurements")!.get("forward")!;
    expect(forward.attributes).toMatchObject({ name: "Forward power", datatype: "float", unit: "W", format: "0:" });
    expect(forward.valueAsType).toBeGreaterThan(10);
    expect(device.get("permit")!.get("permit")!.valueAsType).toBe(true);
    expect(device.get("permit")!.get("reset")!.attributes).toMatchObject({ settable: true, retained: false });
  }, 150000);

  // That the test above can fail: the same device, each time with one thing that the convention forbids.
  test.each([
    ["a datatype that there is none of", "datatype", (one: Description) => Object.assign(one.nodes["measurements"]!.properties["forward"]!, { datatype: "number" })],
    ["a property's id in capitals", "id", (one: Description) => Object.assign(one.nodes["measurements"]!.properties, { Forward_W: { name: "x", datatype: "float" } })],
    ["a field unknown to the convention", "field", (one: Description) => Object.assign(one.nodes["measurements"]!.properties["forward"]!, { precision: 2 })],
    ["a value that its datatype doesn't allow", "value", () => undefined],
  ])("would tell of %s", async (_, word, break_it) => {
    const broken = `broken-${word}`;
    const description = announced(id);
    break_it(description);
    const put = (topic: string, payload: string) => client.publishAsync(`homie/5/${broken}/${topic}`, payload, { qos: 1, retain: true });
    await put("$description", JSON.stringify(description));
    await put("measurements/forward", "104 W");
    await put("$state", "ready");
    await until("it is discovered", () => devices.get(broken)?.state === "ready", 60);
    await until("its description", () => kept.has(`homie/5/${broken}/$description`));
    if (word === "value") {
      await until("a complaint", () => misunderstood(broken).includes("measurements/forward: '104 W' is no float 0:"));
    } else {
      await until("a refusal", () => refused.get(broken)?.includes("has formatting errors"));
      expect(misunderstood(broken)).toContain("measurements/forward: not found");
    }
  });
});
