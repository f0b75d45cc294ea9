/** One corner after another: the plan says which, the keys or a gauge say what. */

import { plan } from "../../drawing/plan.js";
import { fill, h } from "../../dom.js";
import { button, cornerName, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext, ngettext } from "../../texts.js";
import { withOffset } from "../../time.js";
import { targetMm } from "./course.js";
import { keypad, numberField } from "./fields.js";
import { once } from "./once.js";
import { state, takeCare } from "./parts.js";
import * as measure from "./measure.js";
import {
  disagreementMm,
  draftKey,
  isComplete,
  likelyUnit,
  missingAt,
  nextCorner,
  oneMore,
  readingsAt,
  taken,
  takenBack,
} from "./round.js";

/** @typedef {import("./index.js").JobContext} JobContext */
/** @typedef {import("./round.js").RoundDraft} RoundDraft */
/** @typedef {import("../../context.js").Corner} Corner */
/** @typedef {import("../../context.js").Content} Content */

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const draft = /** @type {RoundDraft | null} */ (context.drafts.get(draftKey(context.job)));
  return draft ? new Corners(context, draft).screen() : measure.render(context);
}

class Corners {
  /** @param {JobContext} context @param {RoundDraft} draft */
  constructor(context, draft) {
    this.context = context;
    this.draft = draft;
    const { units } = context;
    this.reading = numberField({ id: "reading", label: "", unit: units.sign });
    this.label = /** @type {HTMLElement} */ (this.reading.element.querySelector("label"));
    this.input = /** @type {HTMLInputElement} */ (this.reading.input);
    this.map = h("div", { class: "measuring-map" });
    this.words = h("div", { class: "measuring-words", "aria-live": "assertive" });
    this.form = h(
      "form",
      { id: "take", class: "stack measuring-entry", submit: this.#submit, novalidate: true },
      this.reading.element,
      keypad([this.input], { point: true, fraction: units.length === "inch" }),
    );
    this.take = h("button", { class: "button button-main", form: "take" }, gettext("Take this reading"));
    this.back = button(gettext("Take the last one back"), () => this.#change(takenBack(this.draft, context.job.repeat_limits_mm)));
    this.on = button(gettext("Go on"), this.#goOn, { kind: "main" });
    this.#draw();
  }

  /** @returns {import("../../context.js").Screen} */
  screen() {
    queueMicrotask(() => {
      this.input.focus({ preventScroll: true });
      this.#bringIntoView();
    });
    return {
      heading: this.#heading(),
      content: h(
        "div",
        { class: "bench-split measuring" },
        h("div", { class: "measuring-side" }, this.words, this.map, this.draft.paper ? null : takeCare(this.context.job, "measure")),
        this.form,
      ),
      actions: [this.back, this.take, this.on],
      update: (next) => {
        this.context = /** @type {JobContext} */ (next.job ? next : this.context);
      },
    };
  }

  #heading() {
    const { paper, reader, round } = this.draft;
    if (round) return gettext("Read again");
    if (paper) return gettext("Copy the worksheet");
    return reader ? gettext("Measure: one calls, one types") : gettext("Measure");
  }

  /** @param {Event} event */
  #submit = (event) => {
    event.preventDefault();
    const typed = this.input.value;
    if (isComplete(this.draft) && !typed.trim()) return this.#goOn();
    const height = this.context.units.parse(typed);
    const problem = this.#problem(height);
    this.reading.fail(problem);
    if (problem === null && height !== null) {
      this.input.value = "";
      this.#change(taken(this.draft, height, this.#limits(), withOffset(), this.context.person));
    }
    this.input.focus({ preventScroll: true });
  };

  /** @param {number | null} height */
  #problem(height) {
    const { length_mm } = this.draft.instrument;
    if (height === null || Number(height) <= 0) return this.#noNumber();
    if (length_mm !== null && Number(height) > length_mm) {
      const unit = this.#unitMeant(height);
      const tooLong = gettext("That is longer than %(serial)s measures.", { serial: this.draft.instrument.serial });
      return unit ? `${tooLong} ${unitWords(unit)}` : tooLong;
    }
    if (missingAt(this.draft, this.draft.corner) === 0) {
      return gettext("This corner is read. Choose another, or press “One more here”.");
    }
    return null;
  }

  #noNumber() {
    return this.context.units.length === "inch"
      ? gettext("Type the height in inches, such as 19 3/16 or 19.19.")
      : gettext("Type the height in millimetres, such as 486 or 486.5. Inches are chosen behind your name, at the top.");
  }

  /** @param {string} height_mm */
  #unitMeant(height_mm) {
    const { length } = this.context.units;
    return likelyUnit(Number(height_mm) / (length === "inch" ? 25.4 : 1), length, this.#limits());
  }

  #limits() {
    const { gross_limit_mm, repeat_limits_mm } = this.context.job;
    return { gross_limit_mm, repeat_limits_mm, target_mm: targetMm(this.context.job, this.draft.corner) };
  }

  /** @param {RoundDraft} draft */
  #change(draft) {
    const { drafts, job } = this.context;
    this.before = this.draft;
    this.draft = draft;
    drafts.set(draftKey(job), draft);
    this.reading.fail(null);
    this.#draw();
    this.input.focus({ preventScroll: true });
    this.#bringIntoView();
  }

  /** On a phone the plan and the keys do not fit into one view: the keys and what is said of the last reading do. */
  #bringIntoView() {
    this.form.scrollIntoView({ block: "nearest" });
  }

  #draw() {
    const { draft } = this;
    const isDone = isComplete(draft);
    fill(this.map, plan((corner) => this.#at(corner), isDone ? null : draft.corner));
    fill(this.label, this.#labelWords());
    fill(this.words, this.#wordsNow());
    this.form.hidden = isDone;
    this.take.hidden = isDone;
    this.on.hidden = !isDone;
    this.back.hidden = draft.doubt === null && readingsAt(draft, draft.corner).length === 0;
  }

  #labelWords() {
    const { corner, reader, doubt, paper } = this.draft;
    const number = readingsAt(this.draft, corner).length + 1;
    const values = { corner: cornerName(corner), number };
    if (paper) return gettext("%(corner)s, reading %(number)s on the sheet", values);
    if (doubt) return gettext("%(corner)s: read it once more", values);
    if (reader) return gettext("Called for %(corner)s, reading %(number)s", values);
    return gettext("%(corner)s, reading %(number)s", values);
  }

  /** @param {Corner} corner @returns {Content} */
  #at(corner) {
    const { draft } = this;
    const missing = missingAt(draft, corner);
    const isHere = corner === draft.corner && !isComplete(draft);
    return [
      h("p", null, this.#readWords(corner)),
      h(
        "p",
        null,
        missing === 0 ? state(
          this.#isAsked(corner) ? gettext("read") : gettext("as it is"),
          "closed",
        ) : isHere ? state(gettext("now")) : null,
      ),
      isHere ? null : h(
        "button",
        { type: "button", class: "button plan-press", id: `to-${corner}`, click: () => this.#goTo(corner) },
        missing ? gettext("Read here") : gettext("One more here"),
      ),
    ];
  }

  /** @param {Corner} corner */
  #isAsked(corner) {
    return (this.draft.wanted[corner] ?? 0) > 0;
  }

  /** Values are hidden until the last one is taken, so that each is read afresh; not those on paper. @param {Corner} corner */
  #readWords(corner) {
    const read = readingsAt(this.draft, corner);
    const missing = missingAt(this.draft, corner);
    if (read.length === 0) return missing ? gettext("%(count)s to take", { count: missing }) : null;
    if (missing > 0 && !this.draft.paper) return gettext("%(taken)s taken, %(count)s to take", { taken: read.length, count: missing });
    const { units } = this.context;
    return [
      h("span", { class: "figure reading-figures" }, read.map((each) => units.show(each.height_mm)).join(" · ")),
      " ",
      h("span", { class: "unit" }, units.sign),
    ];
  }

  /** @param {Corner} corner */
  #goTo(corner) {
    const draft = missingAt(this.draft, corner) > 0 ? {
      ...this.draft,
      corner,
      doubt: null,
    } : oneMore(this.draft, corner);
    this.#change(draft);
  }

  /** What has to be said about the reading just taken. */
  #wordsNow() {
    const { draft } = this;
    if (draft.doubt) return this.#doubtful(draft.doubt);
    const last = draft.readings.at(-1);
    if (!last) return null;
    const difference = disagreementMm(draft, last.corner, this.context.job.repeat_limits_mm);
    if (difference !== null) return this.#disagrees(last.corner, difference);
    if (isComplete(draft)) return notice(
      "note",
      draft.round ? gettext("All readings are taken") : gettext("All four corners are read"),
    );
    return null;
  }

  /** @param {Corner} corner @param {number} difference */
  #disagrees(corner, difference) {
    const { units, job } = this.context;
    const decimals = units.length === "inch" ? 3 : 1;
    const shown = (/** @type {number} */ mm) => `${units.show(mm, { decimals })} ${units.sign}`;
    const taken = readingsAt(this.draft, corner).length;
    const limit = shown(job.repeat_limits_mm[taken]);
    const values = { corner: cornerName(corner), difference: shown(difference) };
    const heading =
      taken === 2
        ? gettext("%(corner)s: the two readings differ by %(difference)s", values)
        : gettext("%(corner)s: the readings differ by %(difference)s", values);
    return notice("review", heading, h("p", null, this.#wordsOfLimit(corner, limit)));
  }

  /** @param {Corner} corner @param {string} limit */
  #wordsOfLimit(corner, limit) {
    if (this.draft.paper) {
      return gettext("They may differ by %(limit)s. Where the sheet has a third reading, press “One more here” and copy it.", { limit });
    }
    return ngettext(
      "They may differ by %(limit)s. Look at the marks and the tape, and read this corner %(count)s more time.",
      "They may differ by %(limit)s. Look at the marks and the tape, and read this corner %(count)s more times.",
      missingAt(this.draft, corner),
      { limit },
    );
  }

  /** @param {{corner: Corner, height_mm: number}} doubt */
  #doubtful({ corner, height_mm }) {
    const { units } = this.context;
    const limits = this.#limits();
    const unit = this.#unitMeant(height_mm);
    const values = {
      corner: cornerName(corner),
      height: `${units.show(height_mm)} ${units.sign}`,
      target: `${units.show(limits.target_mm ?? 0)} ${units.sign}`,
    };
    return notice(
      "review",
      gettext("%(corner)s: %(height)s is far from the target of %(target)s", values),
      unit && h("p", null, unitWords(unit)),
      h("p", null, this.#wordsOnceMore()),
    );
  }

  #wordsOnceMore() {
    return this.draft.paper
      ? gettext("Look at the sheet. If it says so, type the same again and it is taken.")
      : gettext("Read it once more. If the tape shows the same, type the same again and it is taken.");
  }

  #goOn = () => {
    const { draft, context } = this;
    if (!isComplete(draft)) return this.#change({ ...draft, corner: nextCorner(draft) });
    if (draft.round === null) return context.navigate(hashOf("job", context.job.id, "setpoints"));
    return void this.#keepFurther();
  };

  #keepFurther = once(async () => {
    const round = /** @type {string} */ (this.draft.round);
    const { records, drafts, job, navigate } = this.context;
    // Further readings are by the round's person and instrument.
    await records.furtherReadings(
      round,
      this.draft.readings.map(
        ({ corner, height_mm, confirmed }) => ({ corner, height_mm, ...(confirmed && { confirmed }) }),
      ),
      drafts.idOf(draftKey(job)),
    );
    drafts.clear(draftKey(job));
    navigate(hashOf("job", job.id));
  });
}

/** @param {'inch' | 'centimetre' | 'millimetre'} unit */
function unitWords(unit) {
  switch (unit) {
    case "inch":
      return gettext("It looks like inches; type millimetres.");
    case "centimetre":
      return gettext("It looks like centimetres; type millimetres.");
    default:
      return gettext("It looks like millimetres; type inches.");
  }
}
