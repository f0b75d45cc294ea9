// @ts-check
/** A file that is dropped on a form is sent as if it had been chosen in the form's field. */

for (const form of document.querySelectorAll("form[data-file-drop]")) {
  const field = form.querySelector("input[type=file]");
  if (form instanceof HTMLFormElement && field instanceof HTMLInputElement) {
    takeDrops(form, field);
  }
}

/**
 * @param {HTMLFormElement} form
 * @param {HTMLInputElement} field
 */
function takeDrops(form, field) {
  for (const hint of form.querySelectorAll("[data-drop-hint]")) {
    hint.removeAttribute("hidden");
  }
  // Beside the form, too, where the browser would otherwise leave the page and open the file.
  for (const kind of ["dragover", "drop"]) {
    document.addEventListener(kind, (event) => event.preventDefault());
  }
  form.addEventListener("dragover", () => form.setAttribute("data-dropping", ""));
  form.addEventListener("dragleave", () => form.removeAttribute("data-dropping"));
  form.addEventListener("drop", (event) => {
    form.removeAttribute("data-dropping");
    const files = event.dataTransfer?.files;
    if (files?.length === 1) {
      field.files = files;
      form.requestSubmit();
    }
  });
}
