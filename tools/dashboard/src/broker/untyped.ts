// Reads messages of which nothing is believed: what isn't of the expected type becomes null, or empty.

export type Json = Record<string, unknown>;

/// A message of which nothing is believed but the names of its fields: another version may have written it.
export type Loose<Message> = { [Field in keyof Message]?: unknown };

export function parse(text: string): Json | null {
  try {
    const value: unknown = JSON.parse(text);
    return typeof value === "object" && value !== null && !Array.isArray(value) ? (value as Json) : null;
  } catch {
    return null;
  }
}

export const isObject = (value: unknown): value is Json =>
  typeof value === "object" && value !== null && !Array.isArray(value);
export const num = (value: unknown): number | null =>
  typeof value === "number" && Number.isFinite(value) ? value : null;
export const str = (value: unknown): string => (typeof value === "string" ? value : "");
export const list = (value: unknown): unknown[] => (Array.isArray(value) ? value : []);

/// A list, or an object that has it under this key.
export function rowsOf(payload: string, key: string): (Json | null)[] {
  try {
    const json: unknown = JSON.parse(payload);
    const rows = Array.isArray(json) ? json : isObject(json) ? list(json[key]) : [];
    return rows.map((row) => (isObject(row) ? row : null));
  } catch {
    return [];
  }
}
