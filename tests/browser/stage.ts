// What a test of the page plays on: a private mosquitto that serves the built page, and Debian's Chromium.
import { type ChildProcess, spawn } from "node:child_process";
import { chmodSync, copyFileSync, mkdirSync, mkdtempSync, openSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { connect, createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { type Browser, chromium, type Page } from "playwright-core";

export async function freePort(): Promise<number> {
  return new Promise((resolve, reject) => {
    const server = createServer();
    server.on("error", reject);
    server.listen(0, "127.0.0.1", () => {
      const address = server.address();
      server.close(() => (address && typeof address === "object" ? resolve(address.port) : reject(new Error("no port"))));
    });
  });
}

/// Waits for a condition with a wide cap; no luck in it.
export async function until<T>(what: string, condition: () => T | Promise<T>, seconds = 20): Promise<T> {
  const end = Date.now() + seconds * 1000;
  for (;;) {
    const found = await condition();
    if (found) return found;
    if (Date.now() > end) throw new Error(`${what}: did not come within ${seconds} s`);
    await new Promise((resolve) => setTimeout(resolve, 40));
  }
}

export const pageFile = process.env["DEKEYD_PAGE"] ?? "";
export const pictures = process.env["DEKEYD_PICTURES"] ?? "";

export class Broker {
  readonly folder = mkdtempSync(join(tmpdir(), "dekeyd-page-"));
  port = 0;
  webPort = 0;
  private process: ChildProcess | undefined;

  get address(): string {
    return `http://127.0.0.1:${this.webPort}/index.html`;
  }

  get running(): boolean {
    return this.process?.exitCode === null;
  }

  async start(extra = ""): Promise<void> {
    // Started by root, mosquitto reads these as a user of its own.
    chmodSync(this.folder, 0o755);
    mkdirSync(join(this.folder, "www"), { recursive: true });
    copyFileSync(pageFile, join(this.folder, "www", "index.html"));
    for (let attempt = 0; attempt < 5; ++attempt) {
      this.port ||= await freePort();
      this.webPort ||= await freePort();
      const settings = join(this.folder, "mosquitto.conf");
      writeFileSync(settings, `per_listener_settings false\nallow_anonymous ${extra ? "false" : "true"}\npersistence false\n` +
        `listener ${this.port} 127.0.0.1\nlistener ${this.webPort} 127.0.0.1\nprotocol websockets\nhttp_dir ${join(this.folder, "www")}\n${extra}`);
      const log = openSync(join(this.folder, "mosquitto.log"), "a");
      const process = spawn("mosquitto", ["-c", settings], { stdio: ["ignore", log, log], env: { PATH: "/usr/sbin:/usr/bin:/sbin:/bin" } });
      this.process = process;
      const up = await until("mosquitto", () => process.exitCode !== null ? "ended" : answers(this.webPort).then((ok) => ok && answers(this.port)));
      if (up !== "ended") return;
      this.port = this.webPort = 0;  // somebody took one in between
    }
    throw new Error(`mosquitto did not start in five tries:\n${readFileSync(join(this.folder, "mosquitto.log"), "utf8")}`);
  }

  /// Its ports stay its own, for a start after it.
  async stop(): Promise<void> {
    const process = this.process;
    this.process = undefined;
    if (!process || process.exitCode !== null) return;
    const ended = new Promise((resolve) => process.once("exit", resolve));
    process.kill("SIGTERM");
    await ended;
  }

  async end(): Promise<void> {
    await this.stop();
    rmSync(this.folder, { recursive: true, force: true });
  }
}

function answers(port: number): Promise<boolean> {
  return new Promise((resolve) => {
    const socket = connect(port, "127.0.0.1");
    socket.once("connect", () => (socket.destroy(), resolve(true)));
    socket.once("error", () => resolve(false));
  });
}

export async function openBrowser(): Promise<Browser> {
  return chromium.launch({
    executablePath: "/usr/bin/chromium",
    headless: true,
    args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
           "--disable-component-update", "--disable-sync"],
  });
}

export interface View {
  width?: number;
  height?: number;
  dark?: boolean;
}

/// A page that fails the test when the browser complains of anything, or asks for anything but the broker.
export async function openPage(browser: Browser, broker: Broker, { width = 1440, height = 1000, dark = false }: View = {}):
    Promise<{ page: Page; complaints: string[] }> {
  const context = await browser.newContext({ viewport: { width, height }, colorScheme: dark ? "dark" : "light" });
  const page = await context.newPage();
  page.setDefaultTimeout(120_000);  // a busy machine starves a browser for long
  const complaints: string[] = [];
  page.on("pageerror", (error) => complaints.push(String(error)));
  page.on("console", (message) => {
    // A broker that is away on purpose makes the browser say so.
    if (message.type() === "error" && !/WebSocket connection to/.test(message.text())) complaints.push(message.text());
  });
  page.on("request", (request) => {
    const url = new URL(request.url());
    if (url.protocol !== "data:" && url.host !== `127.0.0.1:${broker.webPort}`) complaints.push(`a request to ${request.url()}`);
  });
  await page.goto(broker.address);
  return { page, complaints };
}

export async function picture(page: Page, name: string): Promise<void> {
  if (!pictures) return;
  mkdirSync(pictures, { recursive: true });
  await page.screenshot({ path: join(pictures, `${name}.png`), fullPage: true });
}

/// Presses Hold as an operator does: kept for most of a second.
export async function hold(page: Page): Promise<void> {
  await page.getByRole("button", { name: "Hold" }).scrollIntoViewIfNeeded();
  await page.getByRole("button", { name: "Hold" }).hover({ force: true });
  await page.mouse.down();
  await new Promise((resolve) => setTimeout(resolve, 900));
  await page.mouse.up();
}
