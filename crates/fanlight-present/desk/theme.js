/** Light, dark and red light; kept in this browser where it allows that. @module */

import { store } from "./dom.js";

/** @typedef {"auto"|"light"|"dark"|"red"} Theme */

const KEY = "fanlight-desk-theme";

/** What this browser keeps for the desk. */
export const memory = {
  /** @param {string} key */
  read(key) {
    try { return localStorage.getItem(key); } catch { return null; }
  },
  /** @param {string} key @param {string|null} value */
  write(key, value) {
    try {
      if (value === null) localStorage.removeItem(key);
      else localStorage.setItem(key, value);
    } catch { /* not allowed: nothing is kept */ }
  },
};

/** @param {string|null} value @returns {Theme} */
const parsed = (value) => (value === "light" || value === "dark" || value === "red" ? value : "auto");

export const theme = store(parsed(memory.read(KEY)));

const dark = matchMedia("(prefers-color-scheme: dark)");

/** The theme that is seen. @returns {"light"|"dark"|"red"} */
export function seen() {
  const chosen = theme.get();
  return chosen === "auto" ? (dark.matches ? "dark" : "light") : chosen;
}

export const isRed = () => seen() === "red";

/** @type {ReturnType<typeof readInks>|null} */
let read = null;

/** Colours by role, as the style sheet has them now. */
export function inks() {
  read ??= readInks();
  return read;
}

function readInks() {
  const style = getComputedStyle(document.documentElement);
  const of = (/** @type {string} */ role) => style.getPropertyValue(`--${role}`).trim();
  return { rem: parseFloat(style.fontSize) / 16 || 1, paper: of("paper"), ink: of("ink"), muted: of("muted"), rule: of("rule"), sun: of("sun"), first: of("first"), second: of("second"), warn: of("warn"), wash: of("wash"), overPale: of("over-pale"), overDark: of("over-dark") };
}

/** Applies and keeps the choice, and follows the system's where none was made. */
export function startThemes() {
  const show = () => {
    document.documentElement.dataset.theme = seen();
    read = null;
  };
  show();
  theme.listen((chosen) => {
    memory.write(KEY, chosen === "auto" ? null : chosen);
    show();
  });
  dark.addEventListener("change", () => theme.set(theme.get()));
}

export const calm = () => matchMedia("(prefers-reduced-motion: reduce)").matches;
