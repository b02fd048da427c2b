// Small helpers around the document. Text goes in as text, never as markup.

export function el<K extends keyof HTMLElementTagNameMap>(tag: K, attributes: Record<string, string> = {},
                                                          ...children: (Node | string)[]): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

const svgSpace = "http://www.w3.org/2000/svg";

export function svg(tag: string, attributes: Record<string, string> = {}, ...children: Node[]): SVGElement {
  const element = document.createElementNS(svgSpace, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/// Writes only what changed, so that a screen reader is not told the same again.
export function say(element: Element, text: string): void {
  if (element.textContent !== text) element.textContent = text;
}

export function mark(element: Element, name: string, value: string | null): void {
  if (value === null) {
    if (element.hasAttribute(name)) element.removeAttribute(name);
  } else if (element.getAttribute(name) !== value) {
    element.setAttribute(name, value);
  }
}

export function show(element: HTMLElement, visible: boolean): void {
  if (element.hidden === visible) element.hidden = !visible;
}

/// Makes `parent` hold exactly one line for each text.
export function lines(parent: HTMLElement, tag: "p" | "li", texts: string[]): void {
  while (parent.children.length > texts.length) parent.lastElementChild!.remove();
  texts.forEach((text, i) => {
    if (!parent.children[i]) parent.append(el(tag));
    say(parent.children[i]!, text);
  });
}
