/** Elements are made here, and nowhere by text that is parsed: what people typed is never markup. */

/** @typedef {import("./context.js").Content} Content */
/** @typedef {Record<string, string | number | boolean | null | undefined | ((event: any) => void)>} Attributes */

const SVG = "http://www.w3.org/2000/svg";

/**
 * An element. An attribute that is a function listens (`{click: …}`), `true` is set without value, `false`, `null` and
 * `undefined` are left out. Children that are `null` or `false` are left out.
 * @template {keyof HTMLElementTagNameMap} Tag
 * @param {Tag} tag
 * @param {Attributes | null} [attributes]
 * @param {Content[]} children
 * @returns {HTMLElementTagNameMap[Tag]}
 */
export function h(tag, attributes = null, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

/**
 * The same for drawings. No inline style: only attributes of SVG, and classes.
 * @template {keyof SVGElementTagNameMap} Tag
 * @param {Tag} tag
 * @param {Attributes | null} [attributes]
 * @param {Content[]} children
 * @returns {SVGElementTagNameMap[Tag]}
 */
export function s(tag, attributes = null, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

/**
 * Put this in place of what an element holds.
 * @param {Element} element
 * @param {Content[]} children
 */
export function fill(element, ...children) {
  element.replaceChildren(...flat(children));
}

/**
 * @param {Content} content
 * @returns {(Node | string)[]}
 */
export function flat(content) {
  if (Array.isArray(content)) return content.flatMap(flat);
  return content === null || content === false ? [] : [content];
}

/**
 * @template {Element} E
 * @param {E} element
 * @param {Attributes | null} attributes
 * @param {Content[]} children
 */
function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (typeof value === "function") element.addEventListener(name, value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, String(value));
  }
  element.append(...flat(children));
  return element;
}
