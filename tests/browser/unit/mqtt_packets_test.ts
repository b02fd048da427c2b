// Checked against mqtt-packet, an independent writer and reader of MQTT, and against the standard's own examples.
import mqttPacket from "mqtt-packet";
import { expect, test } from "vitest";

import * as packets from "@page/broker/mqtt_packets";

function readByOther(bytes: Uint8Array): Record<string, unknown> {
  const parser = mqttPacket.parser({ protocolVersion: 4 });
  let found: Record<string, unknown> = {};
  parser.on("packet", (packet) => (found = packet as unknown as Record<string, unknown>));
  parser.on("error", (error) => { throw error; });
  expect(parser.parse(Buffer.from(bytes))).toBe(0);
  return found;
}

const hex = (bytes: Uint8Array) => Buffer.from(bytes).toString("hex");

test("what is written is read by another", () => {
  expect(readByOther(packets.connect("dekeyd-page-1", 30))).toMatchObject({
    cmd: "connect", protocolId: "MQTT", protocolVersion: 4, clean: true, clientId: "dekeyd-page-1", keepalive: 30 });
  const login = readByOther(packets.connect("x", 30, { username: "reader", password: "grün" }));
  expect(login["username"]).toBe("reader");
  expect(String(login["password"])).toBe("grün");
  expect(readByOther(packets.subscribe(513, ["homie/5/+/$state", "a/#"]))).toMatchObject({
    cmd: "subscribe", messageId: 513, subscriptions: [{ topic: "homie/5/+/$state", qos: 1 }, { topic: "a/#", qos: 1 }] });
  expect(readByOther(packets.unsubscribe(65535, ["a/#"]))).toMatchObject({ cmd: "unsubscribe", messageId: 65535, unsubscriptions: ["a/#"] });
  const hold = readByOther(packets.publish("homie/5/x/permit/hold/set", "hold"));
  expect(hold).toMatchObject({ cmd: "publish", topic: "homie/5/x/permit/hold/set", qos: 0, retain: false, dup: false });
  expect(String(hold["payload"])).toBe("hold");
  expect(readByOther(packets.puback(7))).toMatchObject({ cmd: "puback", messageId: 7 });
  expect(readByOther(packets.pingreq())).toMatchObject({ cmd: "pingreq" });
  expect(readByOther(packets.disconnect())).toMatchObject({ cmd: "disconnect" });
});

// MQTT 3.1.1, table 2.4: the ends of each count of length bytes.
test.each([[127, "7f"], [128, "8001"], [16383, "ff7f"], [16384, "808001"]])("a remaining length of %i", (length, bytes) => {
  const packet = packets.publish("t", "x".repeat(length - 3));
  expect(hex(packet.subarray(1, 1 + bytes.length / 2))).toBe(bytes);
  expect(new packets.Reader().take(packet)).toMatchObject([{ kind: "publish", topic: "t" }]);
});

test("what another writes is read, cut at any place", () => {
  const write = (packet: mqttPacket.Packet) => mqttPacket.generate(packet, { protocolVersion: 4 });
  const stream = Buffer.concat([
    write({ cmd: "connack", returnCode: 5, sessionPresent: false }),
    write({ cmd: "publish", topic: "a/°C", payload: "21.5 °C", qos: 1, retain: true, dup: false, messageId: 300 }),
    write({ cmd: "publish", topic: "b", payload: "", qos: 0, retain: false, dup: false }),
    write({ cmd: "suback", messageId: 1, granted: [1] }),
    write({ cmd: "pingresp" }),
  ]);
  const expected = [
    { kind: "connack", code: 5 },
    { kind: "publish", topic: "a/°C", payload: "21.5 °C", qos: 1, retained: true, id: 300 },
    { kind: "publish", topic: "b", payload: "", qos: 0, retained: false, id: 0 },
    { kind: "suback" },
    { kind: "pingresp" },
  ];
  for (let size = 1; size <= stream.length; ++size) {
    const reader = new packets.Reader();
    const found: packets.Packet[] = [];
    for (let at = 0; at < stream.length; at += size) found.push(...reader.take(stream.subarray(at, at + size)));
    expect(found).toEqual(expected);
  }
});

test("what is no MQTT, too large or too short is refused", () => {
  const refused = (bytes: number[], most?: number) =>
    expect(() => new packets.Reader(most).take(Uint8Array.from(bytes))).toThrow(RangeError);
  refused([0x30, 0xff, 0xff, 0xff, 0xff, 0x01]);
  refused([0x30, 0x65], 100);
  refused([0x30, 0x02, 0x00, 0x05]);
  refused([0x32, 0x03, 0x00, 0x01, 0x61]);  // QoS 1 without its number
  refused([0x36, 0x03, 0x00, 0x01, 0x61]);  // QoS 3
  refused([0x20, 0x01, 0x00]);
});
