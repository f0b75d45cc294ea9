/**
 * Texts in the language of the page, from the catalog that Django serves; in English where there is none.
 * Names with `%(name)s` are filled in from `values`.
 */

/**
 * @typedef {{gettext: (text: string) => string, ngettext: (one: string, many: string, count: number) => string}} Catalog
 */

/** Not a file: the service writes it in the language of the page. @type {string} */
const LATER = "/bench/later-texts.js";

/** In which this page is written. */
export function language() {
  return document.documentElement.lang || "en";
}

const catalog = () => /** @type {{django?: Catalog}} */ (globalThis).django;

/** All texts beside those of the modules that come first. */
export function loadLaterTexts() {
  return import(LATER);
}

/**
 * @param {string} text
 * @param {Record<string, string | number>} [values]
 */
export function gettext(text, values) {
  return filled(catalog()?.gettext(text) ?? text, values);
}

/**
 * @param {string} one
 * @param {string} many
 * @param {number} count also the value of `%(count)s`
 * @param {Record<string, string | number>} [values]
 */
export function ngettext(one, many, count, values) {
  const text = catalog()?.ngettext(one, many, count) ?? (count === 1 ? one : many);
  return filled(text, { count, ...values });
}

/**
 * @param {string} text
 * @param {Record<string, string | number> | undefined} values
 */
function filled(text, values) {
  return values ? text.replace(/%\((\w+)\)s/g, (whole, name) => String(values[name] ?? whole)) : text;
}
