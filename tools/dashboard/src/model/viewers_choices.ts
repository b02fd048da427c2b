// What a viewer chose, kept in the browser where it keeps anything.
import type { Login } from "../broker/mqtt_packets";

const prefix = "dekeyd-page-";

function read(name: string): string {
  try {
    return localStorage.getItem(prefix + name) ?? "";
  } catch {
    return ""; // it keeps nothing
  }
}

function write(name: string, value: string): void {
  try {
    if (value) localStorage.setItem(prefix + name, value);
    else localStorage.removeItem(prefix + name);
  } catch {
    // Then the choice lasts as long as the page.
  }
}

export const choices = {
  language: () => read("language"),
  keepLanguage: (code: string) => write("language", code),
  amplifier: () => read("amplifier"),
  keepAmplifier: (id: string) => write("amplifier", id),
  dbm: () => read("dbm") === "yes",
  keepDbm: (wanted: boolean) => write("dbm", wanted ? "yes" : ""),
  login(): Login | undefined {
    try {
      const kept = JSON.parse(read("login")) as Partial<Login>;
      if (typeof kept.username === "string" && typeof kept.password === "string")
        return { username: kept.username, password: kept.password };
    } catch {
      // none, or none that can be read
    }
    return undefined;
  },
  keepLogin: (login: Login | undefined) => write("login", login ? JSON.stringify(login) : ""),
};
