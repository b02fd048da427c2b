// Is what is shown true now? Whatever can't be shown to be fresh is stale.
import type { Device, Moment } from "./model";
import { duration } from "./words";

export type Link = "connecting" | "connected" | "refused" | "lost";

/// A summary comes each second; after this long without one nothing on the page may look healthy.
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

export function judgeNews(device: Device | undefined, link: Link, linkSince: Moment, now: Moment): News {
  const last = device?.news ?? null;
  const age_s = last ? age(last, now) : null;
  const recent = age_s !== null && age_s * 1000 <= staleAfter_ms;
  if (link !== "connected") {
    const gone = `for ${duration(Math.max(1, age(linkSince, now)))}`;
    const why = {
      connecting: "Connecting to the broker.",
      refused: "The broker refuses the connection: it wants a user and password.",
      lost: `The connection to the broker is lost ${gone}; trying again.`,
    }[link];
    return { fresh: false, age_s, why };
  }
  if (!device) return { fresh: false, age_s, why: "No amplifier has announced itself on this broker." };
  if (device.connection === "lost") return { fresh: false, age_s, why: "The guard doesn't answer its telemetry, or the broker has lost both. What the amplifier does is not known here." };
  if (device.connection === "disconnected") return { fresh: false, age_s, why: "The telemetry was stopped, and said goodbye. What the amplifier does is not known here." };
  if (device.connection === "sleeping") return { fresh: false, age_s, why: "dekeyd says that it sleeps." };
  if (!recent) {
    return { fresh: false, age_s, why: age_s === null ? "Waiting for the first news from dekeyd."
                                                      : "The broker is there, but dekeyd's decisions don't arrive." };
  }
  return { fresh: true, age_s, why: "" };
}
