// Is what is shown true now? A value that can't be shown to be fresh is stale.
import type { Device, Moment } from "./model";
import { t } from "../text/language";
import { duration } from "../text/figures";

export type Link = "connecting" | "connected" | "refused" | "wrong" | "lost"; ///< wrong: a user or password was given

/// A summary or a pulse comes each second; after this long without one nothing on the page may look healthy.
export const staleAfter_ms = 3000;

export interface News {
  fresh: boolean;
  age_s: number | null; ///< since the last news; null: there has been none
  why: string;
}

/// The larger of both clocks' ages: one may have slept, the other may have been set back.
export function age(since: Moment, now: Moment): number {
  return Math.max(0, now.steady - since.steady, now.wall - since.wall) / 1000;
}

export function judgeNews(device: Device | undefined, link: Link, linkSince: Moment, now: Moment, chosen = ""): News {
  const last = device?.news ?? null;
  const age_s = last ? age(last, now) : null;
  const recent = age_s !== null && age_s * 1000 <= staleAfter_ms;
  const stale = (why: string): News => ({ fresh: false, age_s, why });
  if (link !== "connected") {
    const span = duration(Math.max(1, age(linkSince, now)));
    return stale(
      { connecting: t.news.connecting, refused: t.news.refused, wrong: t.news.wrong, lost: t.news.lost(span) }[link],
    );
  }
  if (!device) return stale(chosen ? t.news.notThere(chosen) : t.news.none);
  if (device.connection === "lost") return stale(t.news.guardLost);
  if (device.connection === "disconnected") return stale(t.news.stopped);
  if (device.connection === "sleeping") return stale(t.news.sleeps);
  if (!recent) return stale(age_s === null ? t.news.waiting : t.news.silent);
  return { fresh: true, age_s, why: "" };
}
