// Which view an address names: "#wall", "#wall/ID", "#fleet", "#ID". Anything else is no reason for an empty page.

export interface Place {
  view: "amplifier" | "wall" | "fleet";
  id: string; ///< nothing: none is named
}

export function placeOf(hash: string): Place {
  let text: string;
  try {
    text = decodeURIComponent(hash.replace(/^#/, ""));
  } catch {
    return { view: "amplifier", id: "" };
  }
  if (text === "fleet") return { view: "fleet", id: "" };
  const [, wall, id] = /^(wall)(?:\/(.*))?$/s.exec(text) ?? [];
  if (wall) return { view: "wall", id: id ?? "" };
  return { view: "amplifier", id: text };
}

export function hashOf(place: Place): string {
  if (place.view === "fleet") return "#fleet";
  const id = encodeURIComponent(place.id);
  return place.view === "wall" ? (id ? `#wall/${id}` : "#wall") : `#${id}`;
}
