// The language of the page's own words: one table each, complete by its type.
import { de } from "./de";
import { en } from "./en";

type Loose<T> = T extends string
  ? string
  : T extends (...given: infer Given) => string
    ? (...given: Given) => string
    : T extends string[]
      ? string[]
      : { [Key in keyof T]: Loose<T[Key]> };
export type Words = Loose<typeof en>;

export const languages: Record<string, { name: string; words: Words }> = {
  en: { name: "English", words: en },
  de: { name: "Deutsch", words: de },
};

/// The words in use; a view reads it anew each time.
export let t: Words = en;
export let language = "en";

export function useLanguage(code: string): void {
  language = languages[code] ? code : "en";
  t = languages[language]!.words;
}

/// The first of a reader's languages that there is.
export function fitting(wanted: readonly string[]): string {
  return wanted.map((one) => one.toLowerCase().split("-")[0]!).find((one) => languages[one]) ?? "en";
}

/// The page's word for one of dekeyd's; its own where there is none.
export function wordFor(table: Record<string, string>, word: string): string {
  return Object.hasOwn(table, word) ? table[word]! : word;
}
