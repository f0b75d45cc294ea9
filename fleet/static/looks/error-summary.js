// @ts-check
/** Brings a reader to what is wrong: the summary takes the focus, and each of its links the field that it names. */

const summary = document.querySelector("[data-error-summary]");
if (summary instanceof HTMLElement) {
  summary.focus();
  summary.addEventListener("click", goToField);
}

/** @param {MouseEvent} event */
function goToField(event) {
  const link = event.target instanceof Element ? event.target.closest("a") : null;
  const named = link && document.getElementById(link.hash.slice(1));
  const field = named?.matches("fieldset") ? named.querySelector("input") : named;
  if (field instanceof HTMLElement) {
    event.preventDefault();
    field.focus();
  }
}
