import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { defineConfig } from "vitest/config";

const dashboard = fileURLToPath(new URL(".", import.meta.url));
const tests = join(dashboard, "../../tests/browser");
const installed = (name: string) => join(dashboard, "node_modules", name);

// The tests lie with the other tests, the packages beside the page.
export default defineConfig({
  root: tests,
  cacheDir: join(dashboard, "node_modules/.vite"),
  resolve: {
    alias: {
      "@page": join(dashboard, "src"),
      "playwright-core": installed("playwright-core"),
      "axe-core": installed("axe-core"),
      "mqtt-packet": installed("mqtt-packet"),
      mqtt: installed("mqtt"),
      "node-homie/util": installed("node-homie/lib/cjs/util/index.js"),
      "node-homie": installed("node-homie/lib/cjs/index.js"),
      vitest: installed("vitest"),
    },
  },
  server: { fs: { strict: false } },
  test: {
    include: ["**/*_test.ts"],
    testTimeout: 40000,
    hookTimeout: 40000,
    fileParallelism: false,
    pool: "forks",
    poolOptions: { forks: { singleFork: true } },
  },
});
