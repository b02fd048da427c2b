// Captures that were asked for, as their parts come. Pure.

const mostBytes = 64 * 1024 * 1024;

export interface Fetched {
  name: string;
  text: string;
}

type State = { kind: "asked"; parts: string[]; length: number; share: number } | { kind: "failed"; why: string };

export class Fetches {
  private readonly asked = new Map<string, State>();

  start(name: string): void {
    this.asked.set(name, { kind: "asked", parts: [], length: 0, share: 0 });
  }

  /// 0 to 1 while it comes, a text where it failed; null: it wasn't asked for, or is here.
  state(name: string): number | string | null {
    const state = this.asked.get(name);
    if (!state) return null;
    return state.kind === "asked" ? state.share : state.why;
  }

  /// The whole capture with its last part. Parts that another page asked for are none of this one's.
  take(payload: string): Fetched | null {
    let json: unknown;
    try {
      json = JSON.parse(payload);
    } catch {
      return null;
    }
    const { name, offset, size, text, error } = (json ?? {}) as Record<string, unknown>;
    const state = typeof name === "string" ? this.asked.get(name) : undefined;
    if (typeof name !== "string" || state?.kind !== "asked") return null;
    if (typeof error === "string") {
      this.asked.set(name, { kind: "failed", why: error });
      return null;
    }
    if (typeof offset !== "number" || typeof size !== "number" || typeof text !== "string") return null;
    if (offset === 0) Object.assign(state, { parts: [], length: 0 }); // it may have begun for another page
    if (offset !== state.length || size > mostBytes) return null;
    state.parts.push(text);
    state.length += new TextEncoder().encode(text).length;
    state.share = size > 0 ? Math.min(1, state.length / size) : 1;
    if (state.length < size && text) return null;
    this.asked.delete(name);
    return { name, text: state.parts.join("") };
  }
}
