// The demonstration's amplifier for a test: the real daemon and the bench's simulated amplifier, by the demonstration's
// own configuration.
import { type ChildProcess, spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, openSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { connect, type Socket } from "node:net";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";

import { until } from "./stage";

const programs = process.env["DEKEYD_PROGRAMS"] ?? "";
const demo = join(dirname(fileURLToPath(import.meta.url)), "../../tools/demo.d/hilltop.yaml");

type Answer = Record<string, unknown>;

async function reach(path: string, processes: () => string): Promise<Socket> {
  return until(path, () => new Promise<Socket | null>((resolve, reject) => {
    if (processes()) reject(new Error(processes()));
    const socket = connect(path);
    socket.once("connect", () => resolve(socket));
    socket.once("error", () => resolve(null));
  }), 60);
}

export class Station {
  private readonly folder = mkdtempSync(join(tmpdir(), "dekeyd-live-"));
  private readonly running = new Map<string, ChildProcess>();
  private bench!: Socket;
  private answers: ((line: string) => void)[] = [];

  /// `mqtt`: more keys of that section.
  static async start(port: number, mqtt = "remote_release: false, remote_reset: false"): Promise<Station> {
    const one = new Station();
    const { folder } = one;
    for (const name of ["sys", "state", "run"]) mkdirSync(join(folder, name));
    writeFileSync(join(folder, "line"), "0\n");
    const text = readFileSync(demo, "utf8").replaceAll("${folder}", folder).replaceAll("${port}", String(port))
      .replace("remote_release: false, remote_reset: false", mqtt)
      .replace("limits:\n", "recorder: {before: 5 s, after: 2 s}\n\nlimits:\n");
    writeFileSync(join(folder, "hilltop.yaml"), text);
    one.run("bench", "dekeyd-bench", "run", "--root", join(folder, "sys"), "--line", join(folder, "line"), "--control",
            join(folder, "bench"), "--thermal-speed", "30");
    one.bench = await reach(join(folder, "bench"), () => one.ended());
    createInterface({ input: one.bench }).on("line", (line) => one.answers.shift()?.(line));
    one.startDaemon();
    await reach(join(folder, "run/control"), () => one.ended()).then((socket) => socket.destroy());
    return one;
  }

  startDaemon(): void {
    this.run("dekeyd", "dekeyd", "--config", join(this.folder, "hilltop.yaml"));
    if (!this.running.has("telemetry")) this.run("telemetry", "dekeyd-telemetry", "--config", join(this.folder, "hilltop.yaml"));
  }

  async stopDaemon(signal: NodeJS.Signals): Promise<void> {
    const process = this.running.get("dekeyd");
    this.running.delete("dekeyd");
    if (!process || process.exitCode !== null) return;
    const gone = new Promise((resolve) => process.once("exit", resolve));
    process.kill(signal);
    await gone;
  }

  /// A command to the bench.
  async do(command: string): Promise<Answer> {
    const line = await new Promise<string>((resolve) => {
      this.answers.push(resolve);
      this.bench.write(`${command}\n`);
    });
    const answer = JSON.parse(line) as Answer;
    if (answer["ok"] === false) throw new Error(`the bench refused '${command}': ${line}`);
    return answer;
  }

  /// A question to dekeyd's control socket.
  async ask(question: string): Promise<Answer> {
    const socket = await reach(join(this.folder, "run/control"), () => this.ended());
    try {
      const line = new Promise<string>((resolve) => createInterface({ input: socket }).once("line", resolve));
      socket.write(`${JSON.stringify({ ask: question })}\n`);
      return JSON.parse(await line) as Answer;
    } finally {
      socket.destroy();
    }
  }

  /// Where dekeyd keeps a capture, by its file's name.
  capture(name: string): string {
    return join(this.folder, "state/captures", name);
  }

  async status(): Promise<Answer> {
    return (await this.ask("status"))["status"] as Answer;
  }

  /// From the first start to a permit, by a local reset.
  async permit(): Promise<void> {
    await until("good readings", async () => (await this.status())["state"] === "latched", 60);
    await this.reset();
  }

  async reset(): Promise<void> {
    await until("a reset that is taken", async () => (await this.ask("reset"))["ok"] === true, 60);
    await until("the permit", async () => (await this.status())["permit"] === true, 60);
  }

  /// With RF, whatever a busy machine's guard has tripped on meanwhile.
  async transmit(): Promise<void> {
    await this.do("drive 1.6 W");
    await this.do("key on");
    await until("RF", async () => {
      const status = await this.status();
      if (status["permit"] !== true) await this.ask("reset");
      return status["permit"] === true && status["rf_present"] === true;
    }, 90);
  }

  async end(): Promise<void> {
    this.bench?.destroy();
    for (const process of this.running.values()) {
      if (process.exitCode !== null || process.signalCode !== null) continue;
      const gone = new Promise((resolve) => process.once("exit", resolve));
      process.kill("SIGTERM");
      const late = setTimeout(() => process.kill("SIGKILL"), 8000);
      await gone;
      clearTimeout(late);
    }
    rmSync(this.folder, { recursive: true, force: true });
  }

  private run(name: string, program: string, ...options: string[]): void {
    const log = openSync(join(this.folder, `${name}.log`), "a");
    this.running.set(name, spawn(join(programs, program), options, { stdio: ["ignore", log, log] }));
  }

  private ended(): string {
    for (const [name, process] of this.running) {
      if (process.exitCode !== null) return `${name} has ended:\n${readFileSync(join(this.folder, `${name}.log`), "utf8").slice(-2000)}`;
    }
    return "";
  }
}
