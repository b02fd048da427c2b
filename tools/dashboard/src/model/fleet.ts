// All amplifiers of a broker beside each other, the worst first. Pure.
import { describeBanner, type Banner } from "./banner";
import { limitsNow, shareOf } from "./ladder";
import type { Device, Moment } from "./model";
import { judgeNews, type Link } from "./freshness";

export interface Card {
  id: string;
  name: string;
  banner: Banner;
  nearest: { name: string; share: number } | null; ///< to its trip, of what is measured
}

const order = ["stop", "unknown", "hold", "wait", "air", "go"];

function nearestOf(device: Device): Card["nearest"] {
  let found: Card["nearest"] = null;
  for (const limit of limitsNow(device)) {
    const known = device.quantities.get(limit.watch);
    if (!limit.trips || !known || known.value === null || known.quality !== "good") continue;
    const share = shareOf(limit, known.value);
    const name = device.nodes.get("measurements")?.properties.get(limit.watch)?.name ?? limit.name;
    if (!found || share > found.share) found = { name, share };
  }
  return found;
}

export function cardsOf(devices: Device[], link: Link, linkSince: Moment, now: Moment): Card[] {
  return devices
    .map((device) => {
      const news = judgeNews(device, link, linkSince, now);
      return {
        id: device.id,
        name: device.name,
        banner: describeBanner(device, news, now),
        nearest: news.fresh ? nearestOf(device) : null,
      };
    })
    .sort(
      (a, b) =>
        order.indexOf(a.banner.tone) - order.indexOf(b.banner.tone) ||
        a.name.localeCompare(b.name) ||
        a.id.localeCompare(b.id),
    );
}
