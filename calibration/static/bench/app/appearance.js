/** How this tablet is held and lit: remembered by itself, not by person. */

/** @typedef {{hand: 'right' | 'left', theme: 'light' | 'dark' | ''}} Appearance */

/** @type {Record<string, string[]>} */
const VALUES = { hand: ["right", "left"], theme: ["light", "dark", ""] };

/** @returns {Appearance} */
export function appearance() {
  const { hand, theme } = document.documentElement.dataset;
  return { hand: hand === "left" ? "left" : "right", theme: theme === "light" || theme === "dark" ? theme : "" };
}

/** As it was last set. */
export function recallAppearance() {
  for (const name of Object.keys(VALUES)) apply(name, recalled(name));
}

/**
 * @param {'hand' | 'theme'} name
 * @param {string} value
 */
export function setAppearance(name, value) {
  apply(name, value);
  try {
    localStorage.setItem(`looks.${name}`, value);
  } catch {
    // Storage refused: it holds until the page is left.
  }
}

/**
 * @param {string} name
 * @param {string | null} value
 */
function apply(name, value) {
  if (value === "") delete document.documentElement.dataset[name];
  else if (value !== null && VALUES[name].includes(value)) document.documentElement.dataset[name] = value;
}

/** @param {string} name */
function recalled(name) {
  try {
    return localStorage.getItem(`looks.${name}`);
  } catch {
    return null;
  }
}
