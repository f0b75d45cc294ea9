/** A photo of tape, tool screen or damage, with the round or the write that it shows. */

import { fill, h } from "../../dom.js";
import { button, choices, notice } from "../../parts.js";
import { hashOf } from "../../router.js";
import { gettext } from "../../texts.js";
import { clockTime } from "../../time.js";
import { onTheWay } from "./course.js";
import { once } from "./once.js";
import { link, takeCare } from "./parts.js";
import { LONGEST_PX, pictureToKeep } from "./picture.js";

/** @typedef {import("./index.js").JobContext} JobContext */

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
  input.addEventListener("change", async () => {
    const taken = input.files?.[0] ?? null;
    file = null;
    keep.disabled = true;
    fill(shown, taken && h("p", { class: "soft" }, gettext("The picture is made smaller …")));
    const picture = taken && (await pictureToKeep(taken));
    if (taken !== (input.files?.[0] ?? null)) return; // another one was taken meanwhile
    forget();
    file = picture && "file" in picture ? picture.file : null;
    address = file && URL.createObjectURL(file);
    if (picture && "refused" in picture) fill(shown, refusal(picture.refused));
    else fill(shown, address && h("img", { class: "photo", src: address, alt: gettext("The photo just taken") }));
    keep.disabled = file === null || subject === null;
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
      h("p", { class: "small soft" }, sizeWords()),
      takeCare(job),
    ],
    actions: [link(gettext("Back"), hashOf("job", job.id)), keep],
    update: () => undefined,
    leave: forget,
  };
}

function sizeWords() {
  return gettext(
    "A large picture is made smaller, to %(px)s dots along its longer side. Where this browser cannot do that, a picture may have 10 MB.",
    { px: LONGEST_PX },
  );
}

/** @param {'too_large' | 'unreadable'} why */
function refusal(why) {
  if (why === "too_large") return notice("review", gettext("This picture is larger than 10 MB. Take it with a lower resolution."));
  const todo = gettext("Take it with the camera of this tablet, or choose a JPEG, PNG or WebP file.");
  return notice("review", gettext("This is no picture that can be read"), h("p", null, todo));
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
