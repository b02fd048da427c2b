// The packets of MQTT 3.1.1 (OASIS Standard, 29 October 2014) that a reader needs: bytes in, bytes out. Pure.
// It subscribes at QoS 1 at most and publishes at QoS 0, so that QoS 2's packets never come.

export interface Login {
  username: string;
  password: string;
}

export type Packet =
  | { kind: "connack"; code: number }
  | { kind: "publish"; topic: string; payload: string; qos: number; retained: boolean; id: number }
  | { kind: "suback" | "unsuback" | "pingresp" | "other" };

const encoder = new TextEncoder();
const decoder = new TextDecoder();

const word = (value: number): number[] => [(value >> 8) & 0xff, value & 0xff];

function text(value: string): number[] {
  const bytes = encoder.encode(value);
  if (bytes.length > 0xffff) throw new RangeError("longer than MQTT allows");
  return [...word(bytes.length), ...bytes];
}

function packet(first: number, body: number[]): Uint8Array<ArrayBuffer> {
  const length: number[] = [];
  let left = body.length;
  do {
    const more = left > 0x7f;
    length.push((left & 0x7f) | (more ? 0x80 : 0));
    left >>= 7;
  } while (left > 0);
  return Uint8Array.from([first, ...length, ...body]);
}

export function connect(clientId: string, keepAlive_s: number, login?: Login) {
  const flags = 0x02 | (login ? 0xc0 : 0); // a clean session
  return packet(0x10, [
    ...text("MQTT"),
    4,
    flags,
    ...word(keepAlive_s),
    ...text(clientId),
    ...(login ? [...text(login.username), ...text(login.password)] : []),
  ]);
}

export function subscribe(id: number, filters: string[]) {
  return packet(0x82, [...word(id), ...filters.flatMap((filter) => [...text(filter), 1])]);
}

export function unsubscribe(id: number, filters: string[]) {
  return packet(0xa2, [...word(id), ...filters.flatMap(text)]);
}

export function publish(topic: string, payload: string) {
  return packet(0x30, [...text(topic), ...encoder.encode(payload)]);
}

export const puback = (id: number) => packet(0x40, word(id));
export const pingreq = () => packet(0xc0, []);
export const disconnect = () => packet(0xe0, []);

/// Puts a stream of bytes, cut anywhere, together into packets. Throws at what is no MQTT, or larger than `most`.
export class Reader {
  private left = new Uint8Array(0);

  constructor(private readonly most = 1024 * 1024) {}

  take(bytes: Uint8Array): Packet[] {
    const all = new Uint8Array(this.left.length + bytes.length);
    all.set(this.left);
    all.set(bytes, this.left.length);
    const found: Packet[] = [];
    let from = 0;
    for (;;) {
      let length = 0;
      let at = from + 1;
      let whole = false;
      for (let shift = 0; at < all.length && !whole; shift += 7) {
        if (shift > 21) throw new RangeError("a length of more than four bytes");
        const byte = all[at++]!;
        length += (byte & 0x7f) << shift;
        whole = (byte & 0x80) === 0;
      }
      if (length > this.most) throw new RangeError("a packet larger than this page takes");
      if (!whole || at + length > all.length) break;
      found.push(understand(all[from]!, all.subarray(at, at + length)));
      from = at + length;
    }
    this.left = all.slice(from);
    return found;
  }
}

function understand(first: number, body: Uint8Array): Packet {
  const number = (at: number): number => {
    if (at + 2 > body.length) throw new RangeError("a packet that is too short");
    return (body[at]! << 8) | body[at + 1]!;
  };
  switch (first >> 4) {
    case 2:
      return { kind: "connack", code: number(0) & 0xff };
    case 3: {
      const qos = (first >> 1) & 3;
      const length = number(0);
      let at = 2 + length;
      if (at > body.length || qos === 3) throw new RangeError("a message that is none");
      const topic = decoder.decode(body.subarray(2, at));
      const id = qos ? number(at) : 0;
      if (qos) at += 2;
      return {
        kind: "publish",
        topic,
        payload: decoder.decode(body.subarray(at)),
        qos,
        retained: (first & 1) === 1,
        id,
      };
    }
    case 9:
      return { kind: "suback" };
    case 11:
      return { kind: "unsuback" };
    case 13:
      return { kind: "pingresp" };
    default:
      return { kind: "other" };
  }
}
