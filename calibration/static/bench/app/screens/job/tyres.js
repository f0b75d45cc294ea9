/** The tyres fitted, as their sidewalls say: size and load decide what the heights mean and what the axle may carry. */

import { fill, h } from "../../dom.js";
import { button, choices, cornerName } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { selectField, textField } from "./fields.js";
import { dayField } from "./moment.js";
import { once } from "./once.js";
import { link, section, takeCare } from "./parts.js";
import { sidewall, SPEED_SYMBOLS } from "./sidewall.js";
import { CORNERS } from "./words.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {import("../../context.js").Tyre} Tyre */
/** @typedef {'all' | 'axle' | 'corner'} Extent */
/** @typedef {{size: string, load: string, speed: string}} TypedTyre */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, drafts } = context;
  const key = `tyres:${job.id}`;
  /** @type {{extent: Extent, typed: Record<string, TypedTyre>}} */
  const draft = drafts.get(key) ?? { extent: "all", typed: {} };
  const keep = () => drafts.set(key, draft);
  /** @type {ReturnType<typeof tyreFields>[]} */
  let sets = [];
  const holder = h("div", { class: "stack" });
  const draw = () => {
    sets = groups(draft.extent).map(({ name, title, corners }) => {
      draft.typed[name] ??= { size: "", load: "", speed: "" };
      return tyreFields({ name, title, corners, typed: draft.typed[name], sizes: sizesOf(job), keep });
    });
    fill(holder, sets.map(({ element }) => element));
  };
  draw();
  const day = dayField({ id: "day", label: gettext("Fitted on") });
  const store = once(async () => {
    const [tyres, fitted_on] = [sets.map((each) => each.read()), day.read()];
    if (tyres.includes(null) || !fitted_on) return false;
    const at = sets.flatMap(({ corners }, index) => corners.map((corner) => [corner, tyres[index]]));
    await context.records.fitment({ fitted_on, odometer_km: job.odometer_km, tyres: Object.fromEntries(at) }, drafts.idOf(key));
    drafts.clear(key);
    return context.navigate(hashOf("job", job.id));
  });
  return {
    heading: gettext("Tyres fitted"),
    content: [
      choices({
        id: "extent",
        label: gettext("The tyres are"),
        options: [
          ["all", gettext("the same on all four wheels")],
          ["axle", gettext("others at the front than at the rear")],
          ["corner", gettext("different from wheel to wheel")],
        ],
        value: draft.extent,
        changed: (value) => {
          draft.extent = /** @type {Extent} */ (value);
          keep();
          draw();
        },
      }),
      holder,
      day.element,
      takeCare(job),
    ],
    actions: [
      link(gettext("Back"), hashOf("job", job.id)),
      button(gettext("Record the tyres"), () => void store(), { kind: "main" }),
    ],
    update: () => undefined,
  };
}

/** @param {Extent} extent @returns {{name: string, title: string, corners: readonly Corner[]}[]} */
function groups(extent) {
  if (extent === "all") return [{ name: "all", title: gettext("All four"), corners: CORNERS }];
  if (extent === "axle") {
    return [
      { name: "front", title: gettext("Front"), corners: ["FL", "FR"] },
      { name: "rear", title: gettext("Rear"), corners: ["RL", "RR"] },
    ];
  }
  return CORNERS.map((corner) => ({ name: corner, title: cornerName(corner), corners: [corner] }));
}

/** @param {import("../../context.js").Job} job @returns {string[]} that the specification lists */
function sizesOf({ specification }) {
  return specification?.allowed_tyres ?? [];
}

/**
 * @param {{name: string, title: string, corners: readonly Corner[], typed: TypedTyre, sizes: string[], keep: () => void}} of
 */
function tyreFields({ name, title, corners, typed, sizes, keep }) {
  const size = textField({
    id: `size-${name}`,
    label: gettext("Size, as the sidewall says"),
    hint: gettext("such as 255/60R18, or with load index and speed symbol: 235/65 R16C 115/113 R"),
    value: typed.size,
    maxlength: 60,
  });
  size.input.setAttribute("autocapitalize", "characters");
  const load = textField({
    id: `load-${name}`,
    label: gettext("Load index"),
    hint: gettext("the number behind the size"),
    value: typed.load,
    maxlength: 3,
    inputmode: "numeric",
  });
  const speed = selectField(
    { id: `speed-${name}`, label: gettext("Speed symbol"), hint: gettext("the letter behind it"), value: typed.speed },
    [["", gettext("Choose")], ...SPEED_SYMBOLS.map((each) => /** @type {[string, string]} */ ([each, each]))],
  );
  const [told, apart] = [h("p", { "aria-live": "polite" }), h("div", { class: "tyre" }, load.element, speed.element)];
  /** What the sidewall's text says already is not asked for. */
  const show = () => {
    const found = sidewall(size.input.value);
    const says = !("problem" in found) && found.load_index !== null;
    apart.hidden = says;
    fill(told, says && gettext("Load index %(index)s, speed symbol %(symbol)s", { index: found.load_index ?? "", symbol: found.speed_symbol ?? "" }));
  };
  const changed = () => {
    Object.assign(typed, { size: size.input.value, load: load.input.value, speed: speed.input.value });
    keep();
    show();
  };
  for (const { input } of [size, load, speed]) input.addEventListener("input", changed);
  const listed = sizes.map((each) => button(each, () => {
    size.input.value = each;
    size.fail(null);
    changed();
  }));
  show();
  const read = () => tyreOf({ size, load, speed });
  const element = section(
    title,
    listed.length > 0 && h("div", { class: "actions", role: "group", "aria-label": gettext("Listed sizes") }, listed),
    size.element,
    told,
    apart,
  );
  return { element, corners, read };
}

/** @param {Record<'size' | 'load' | 'speed', import("./fields.js").Field>} fields @returns {Tyre | null} */
function tyreOf({ size, load, speed }) {
  const found = sidewall(size.input.value);
  const [index, symbol] = [load, speed].map(({ input }) => input.value.trim());
  size.fail("problem" in found ? found.problem : null);
  const isDescribed = "problem" in found || found.load_index !== null;
  load.fail(isDescribed || /^\d{1,3}$/.test(index) ? null : gettext("A number such as 112 is missing."));
  speed.fail(isDescribed || symbol ? null : gettext("The letter is missing."));
  const wrong = [size, load, speed].find(({ input }) => input.getAttribute("aria-invalid"));
  wrong?.input.focus();
  if (wrong || "problem" in found) return null;
  const { load_index, speed_symbol } = found;
  return { size: found.size, load_index: load_index ?? Number(index), speed_symbol: speed_symbol ?? symbol };
}
