/** Small helpers that make elements. @module */

/** @typedef {Node|string|number|null|undefined|false} Child */

const SVG = "http://www.w3.org/2000/svg";

/**
 * @param {Element} element
 * @param {Record<string, unknown>} attributes
 */
function set(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on") && typeof value === "function") {
      element.addEventListener(name.slice(2), /** @type {EventListener} */ (value));
    } else if (name === "value" && "value" in element) {
      /** @type {HTMLInputElement} */ (element).value = String(value);
    } else {
      element.setAttribute(name, value === true ? "" : String(value));
    }
  }
}

/**
 * An element with attributes, listeners (`onclick`) and children.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, unknown>|null} [attributes]
 * @param {...Child} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function h(tag, attributes, ...children) {
  const element = document.createElement(tag);
  add(element, children);
  // after the children: a select's value needs its options
  if (attributes) set(element, attributes);
  return element;
}

/**
 * An element of a drawing.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, unknown>|null} [attributes]
 * @param {...Child} children
 * @returns {SVGElementTagNameMap[K]}
 */
export function s(tag, attributes, ...children) {
  const element = /** @type {SVGElementTagNameMap[K]} */ (document.createElementNS(SVG, tag));
  if (attributes) set(element, attributes);
  add(element, children);
  return element;
}

/**
 * @param {Element} element
 * @param {Child[]} children
 */
function add(element, children) {
  for (const child of children) {
    if (child === null || child === undefined || child === false) continue;
    element.append(child instanceof Node ? child : String(child));
  }
}

/**
 * Puts these in place of all that an element held.
 * @param {Element} element
 * @param {...Child} children
 */
export function fill(element, ...children) {
  element.replaceChildren();
  add(element, children);
}

let last = 0;
/** A new id for `for`, `aria-labelledby` and the like. */
export function newId() {
  last += 1;
  return `i${last}`;
}

/**
 * A part of the page under a heading that can be folded.
 * @param {string} title
 * @param {{open?: boolean}} options
 * @param {...Child} children
 */
export function drawer(title, options, ...children) {
  const id = newId();
  const body = h("div", { class: "drawer-body" }, ...children);
  const summary = h("summary", null, h("h2", { id }, title));
  const details = h("details", { class: "drawer", open: options.open ?? true }, summary, body);
  return { section: h("section", { "aria-labelledby": id }, details), body, details };
}

/**
 * A labelled select.
 * @param {string} label
 * @param {[string, string][]} options  value, words
 * @param {string} value
 * @param {(value: string) => void} chosen
 */
export function choice(label, options, value, chosen) {
  const id = newId();
  const select = h("select", { id, value }, ...options.map(([v, words]) => h("option", { value: v }, words)));
  select.addEventListener("change", () => chosen(select.value));
  return { field: h("div", { class: "field" }, h("label", { for: id }, label), select), select };
}

/**
 * A labelled box to tick.
 * @param {string} label
 * @param {boolean} on
 * @param {(on: boolean) => void} changed
 */
export function tick(label, on, changed) {
  const input = h("input", { type: "checkbox" });
  input.checked = on;
  input.addEventListener("change", () => changed(input.checked));
  return { field: h("label", { class: "tick" }, input, h("span", null, label)), input };
}

/**
 * A labelled number.
 * @param {string} label
 * @param {{value: number, min?: number, max?: number, step?: number|"any", unit?: string}} o
 * @param {(value: number) => void} changed  called with finite numbers inside the range; others go to its nearer end, no number to what stood there
 */
export function number(label, o, changed) {
  const id = newId();
  const input = h("input", { id, type: "number", min: o.min, max: o.max, step: o.step ?? "any", value: o.value, inputmode: "decimal" });
  let before = input.value;
  input.addEventListener("focus", () => { before = input.value; });
  input.addEventListener("change", () => {
    const value = input.valueAsNumber;
    if (Number.isFinite(value)) {
      const taken = Math.min(Math.max(value, o.min ?? -Infinity), o.max ?? Infinity);
      if (taken !== value) input.value = String(taken);
      changed(taken);
      before = input.value;
    } else {
      input.value = before;
    }
  });
  const words = o.unit ? `${label} (${o.unit})` : label;
  return { field: h("div", { class: "field" }, h("label", { for: id }, words), input), input };
}

/**
 * A store of one value that tells who listens.
 * @template T
 * @param {T} value
 */
export function store(value) {
  /** @type {Set<(value: T) => void>} */
  const listeners = new Set();
  return {
    get: () => value,
    /** @param {T} next */
    set(next) {
      value = next;
      for (const listener of [...listeners]) listener(next);
    },
    /**
     * @param {(value: T) => void} listener
     * @returns {() => void} stops listening
     */
    listen(listener) {
      listeners.add(listener);
      return () => listeners.delete(listener);
    },
  };
}
