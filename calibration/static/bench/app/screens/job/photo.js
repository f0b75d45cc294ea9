/** A photo of tape, tool screen or damage, with the round or the write that it shows. */

import { fill, h } from "../../dom.js";
import { button, choices, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { clockTime } from "../../time.js";
import { onTheWay } from "./course.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";

/** @typedef {import("./index.js").JobContext} JobContext */

const MOST_BYTES = 10_000_000;

/** @param {JobContext} context @returns {import("../../context.js").Screen} */
export function render(context) {
  const { job, records, navigate, say } = context;
  const subjects = subjectsOf(context);
  let subject = subjects[0]?.[0] ?? null;
  /** @type {File | null} */
  let file = null;
  /** @type {string | null} */
  let address = null;
  const shown = h("div", null);
  const forget = () => address && URL.revokeObjectURL(address);
  const input = h("input", { type: "file", accept: "image/*", capture: "environment", id: "photo" });
  input.addEventListener("change", () => {
    forget();
    file = input.files?.[0] ?? null;
    address = file && URL.createObjectURL(file);
    const isTooLarge = file !== null && file.size > MOST_BYTES;
    fill(
      shown,
      isTooLarge ? notice(
        "review",
        gettext("This picture is larger than 10 MB. Take it with a lower resolution."),
      ) : address && h("img", { class: "photo", src: address, alt: gettext("The photo just taken") }),
    );
    keep.disabled = file === null || isTooLarge || subject === null;
  });
  const store = once(async () => {
    if (!file || !subject) return false;
    const [kind, id] = subject.split(":");
    await records.photo(kind === "write" ? { write: id } : { round: id }, file);
    navigate(hashOf("job", job.id));
    return say(gettext("The photo is kept"));
  });
  const keep = button(gettext("Keep this photo"), () => void store(), { kind: "main", disabled: true });
  return {
    heading: gettext("Photo"),
    content: [
      subjects.length === 0
        ? notice("note", gettext("A photo belongs to a round or a write: record one first"))
        : choices(
          {
            id: "subject",
            label: gettext("What it belongs to"),
            options: subjects,
            value: subject,
            changed: (value) => (subject = value),
          },
        ),
      h("div", { class: "photo-take" }, h("label", { class: "button", for: "photo" }, gettext("Take a photo")), input),
      shown,
      h("p", { class: "small soft" }, gettext("The place where it was taken is removed from the picture.")),
      takeCare(job),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id)), keep],
    update: () => undefined,
    leave: forget,
  };
}

/** Rounds and writes, newest first, also those that are on this tablet only. @param {JobContext} context */
function subjectsOf({ job, waiting }) {
  const words = { round: gettext("Round of %(at)s"), write: gettext("Write of %(at)s") };
  const kept = onTheWay(waiting, job)
    .filter(({ kind }) => kind === "round" || kind === "write")
    .map(({ id, kind, noted_at }) => ({ id, kind, at: noted_at }));
  const known = [
    ...job.rounds.map((each) => ({ id: each.id, kind: "round", at: Date.parse(each.taken_at) })),
    ...job.writes.map((each) => ({ id: each.id, kind: "write", at: Date.parse(each.written_at) })),
  ];
  return [...known, ...kept]
    .sort((one, other) => other.at - one.at)
    .map(
      ({ id, kind, at }) => /** @type {[string, string]} */ (
        [`${kind}:${id}`, words[/** @type {keyof words} */ (kind)].replace("%(at)s", clockTime(at))]
      ),
    );
}
