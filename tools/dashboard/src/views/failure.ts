// A page that has failed shows that, and no old picture: what it showed last may be wrong by now.
import { el } from "./dom";
import { t } from "../text/language";

const againAfter_ms = 30_000;
let failed = false;

export function fail(error: unknown): void {
  if (failed) return;
  failed = true;
  const again = el("button", { type: "button" }, t.failed.again);
  again.addEventListener("click", () => location.reload());
  document
    .getElementById("page")!
    .replaceChildren(
      el(
        "main",
        { class: "failed" },
        el("h1", {}, t.failed.title),
        el("p", { role: "alert" }, t.failed.says),
        el("p", { class: "why" }, error instanceof Error ? error.message : String(error)),
        el("p", {}, t.failed.soon),
        again,
      ),
    );
  document.title = t.failed.title;
  setTimeout(() => location.reload(), againAfter_ms);
}

export const hasFailed = () => failed;

addEventListener("error", (event) => {
  // The browser's own word that it measured once more than it painted; nothing of the page's went wrong.
  if (!/ResizeObserver loop/.test(event.message)) fail(event.error ?? event.message);
});
addEventListener("unhandledrejection", (event) => fail(event.reason));
