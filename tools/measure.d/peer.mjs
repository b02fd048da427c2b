// The peer in Node: the same reads, the same VSWR, the same trip and publishing, as one would sensibly write it.
// Usage: peer.mjs HZ SECONDS PORT LINE_FILE FORWARD_FILE REFLECTED_FILE DRIVE_FILE SUPPLY_FILE
// Prints "running" when it is, and its rounds at the end.
import { openSync, readSync, writeSync } from "node:fs";
import { createRequire } from "node:module";

const mqtt = createRequire(new URL("../dashboard/package.json", import.meta.url))("mqtt");
const [hz, seconds, port] = process.argv.slice(2, 5).map(Number);
const line = openSync(process.argv[5], "r+");
const files = process.argv.slice(6, 10).map((name) => openSync(name, "r"));
const client = port ? await mqtt.connectAsync(`mqtt://127.0.0.1:${port}`) : undefined;
const buffer = Buffer.alloc(64);

const read = (file) => Number.parseInt(buffer.toString("latin1", 0, readSync(file, buffer, 0, buffer.length, 0)), 10);
const watts = (code, lossDb) => 10 ** (((code * 0.0625) / -24.4 + 19.6 + lossDb - 30) / 10);

let rounds = 0;
let published = 0;
let permitted;
console.log("running");
const begun = performance.now();

function round() {
  const now = performance.now();
  if (now >= begun + seconds * 1000) {
    console.log(rounds);
    process.exit(0);
  }
  const [forward, reflected, drive] = [50.5, 50.5, 30.5].map((loss, i) => watts(read(files[i]), loss));
  const supply = ((read(files[3]) * 0.0625) / 1000) * 20;
  const gamma = forward > 6 ? Math.min(Math.sqrt(reflected / forward), 0.999999) : undefined;
  const vswr = gamma === undefined ? undefined : (1 + gamma) / (1 - gamma);
  const tripped = (vswr ?? 1) > 2 || forward > 125 || reflected > 12 || drive > 2.5 || !(supply > 24 && supply < 31);
  const changed = permitted !== !tripped;
  if (changed) {
    permitted = !tripped;
    writeSync(line, permitted ? "1\n" : "0\n", 0);
  }
  if (client && (changed || now - published >= 1000)) {
    published = now;
    for (const [name, value] of Object.entries({ forward, reflected, drive, supply, vswr, permit: permitted }))
      client.publish(`peer/${name}`, String(value));
  }
  rounds += 1;
  setTimeout(round, Math.max(0, begun + (rounds * 1000) / hz - performance.now()));
}
round();
