// @ts-check
/**
 * The tolerance bar for pages that are put together on the tablet: the very drawing that the tag `tolerance_bar`
 * makes on the server (fleet/looks/tolerance_bar.py), from the same figures. Colours come from figures.css.
 *
 * @typedef {object} Bar
 * @property {string} key unique on the page
 * @property {string} title what is drawn, in the reader's words
 * @property {string} description the same at length
 * @property {number} heightMm
 * @property {number} expandedUncertaintyMm
 * @property {number} targetMm
 * @property {number} toleranceMm
 * @property {string | null} verdict
 * @property {number} [spanMm] half the reach; bars shown together take one
 */

const SVG = "http://www.w3.org/2000/svg";
const MOST_TICKS = 24;
const TICK_STEPS_MM = [1, 2, 5, 10, 20, 50, 100, 200, 500];
const MARKS = ["within", "outside", "undecided"];

/** Half the reach that holds every mark, whisker and tolerance of the bars. @param {Bar[]} bars */
export function spanMm(bars) {
  const reaches = bars.map((bar) =>
    Math.max(Math.abs(bar.heightMm - bar.targetMm) + bar.expandedUncertaintyMm, 1.35 * bar.toleranceMm),
  );
  return 1.08 * (reaches.length ? Math.max(...reaches) : 1) || 1;
}

/**
 * An `<svg>` to stand in a `.bar`; upright ones belong into the plan of the vehicle.
 * @param {Bar} bar @param {{ upright?: boolean }} [options]
 */
export function toleranceBar(bar, { upright = false } = {}) {
  const reach = upright ? 60 : 100;
  const svg = element("svg", {
    viewBox: upright ? "-20 -64 40 128" : "-106 -17 212 34",
    role: "img",
    "aria-labelledby": `${bar.key}-title ${bar.key}-desc`,
  });
  const scale = element("g", upright ? { transform: "rotate(-90)" } : {});
  scale.append(...drawn(bar, reach, upright ? -1 : 1));
  svg.append(named("title", bar.title, bar.key), named("desc", bar.description, bar.key), scale);
  return svg;
}

/** @param {Bar} bar @param {number} reach @param {1 | -1} side on which the scale lies */
function drawn(bar, reach, side) {
  const span = bar.spanMm ?? spanMm([bar]);
  /** @param {number} deviationMm */
  const place = (deviationMm) => Math.round((100 * reach * deviationMm) / span) / 100;
  const deviation = bar.heightMm - bar.targetMm;
  const [low, high] = [place(-bar.toleranceMm), place(bar.toleranceMm)];
  const [least, most] = [place(deviation - bar.expandedUncertaintyMm), place(deviation + bar.expandedUncertaintyMm)];
  const ticks = ticksMm(span).map((tick) => `M${place(tick)} ${9 * side}v${5 * side}`);
  const whisker = `M${least} 0H${most}M${least}-5V5M${most}-5V5`;
  const mark = element("g", { transform: `translate(${place(deviation)} 0)` });
  mark.append(markOf(bar.verdict));
  return [
    element("rect", { class: "bar-tolerance", x: low, y: -9, width: Math.round(100 * (high - low)) / 100, height: 18 }),
    element("path", { class: "bar-limit", d: `M${low}-11V11M${high}-11V11` }),
    element("path", { class: "bar-axis", d: `M-${reach} ${9 * side}H${reach}` }),
    element("path", { class: "bar-tick", d: ticks.join("") }),
    element("path", { class: "bar-target", d: "M0-14V14" }),
    element("path", { class: "bar-whisker", d: whisker }),
    mark,
  ];
}

/** @param {number} reachMm */
function ticksMm(reachMm) {
  const step = TICK_STEPS_MM.find((each) => (2 * reachMm) / each <= MOST_TICKS) ?? 500;
  const count = Math.floor(reachMm / step);
  return Array.from({ length: 2 * count + 1 }, (_, number) => step * (number - count));
}

/** @param {string | null} verdict */
function markOf(verdict) {
  const key = verdict && MARKS.includes(verdict) ? verdict : "unjudged";
  const name = { class: `mark mark-${key}` };
  if (key === "outside") return element("path", { ...name, d: "M0-6.6 6.6 0 0 6.6-6.6 0z" });
  return element("circle", { ...name, r: key === "within" ? 5.2 : 4.6 });
}

/** @param {string} tag @param {Record<string, string | number>} attributes */
function element(tag, attributes) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, String(value));
  return made;
}

/** @param {"title" | "desc"} tag @param {string} text @param {string} key */
function named(tag, text, key) {
  const made = element(tag, { id: `${key}-${tag}` });
  made.textContent = text;
  return made;
}
