// @ts-check
/**
 * What this tablet remembers of how it is held and lit: buttons such as
 * `<button data-sets="hand" data-values="right left" hidden>`. The second value is the pressed state.
 */

const root = document.documentElement;

for (const button of document.querySelectorAll("button[data-sets]")) {
  if (button instanceof HTMLButtonElement) prepare(button);
}

/** @param {HTMLButtonElement} button */
function prepare(button) {
  const name = button.dataset.sets ?? "";
  const [released, pressed] = (button.dataset.values ?? "").split(" ");
  const remembered = recall(name);
  if (remembered === released || remembered === pressed) root.dataset[name] = remembered;
  const show = () => button.setAttribute("aria-pressed", String(root.dataset[name] === pressed));
  button.addEventListener("click", () => {
    root.dataset[name] = root.dataset[name] === pressed ? released : pressed;
    remember(name, root.dataset[name] ?? "");
    show();
  });
  show();
  button.hidden = false;
}

/** @param {string} name */
function recall(name) {
  try {
    return localStorage.getItem(`looks.${name}`);
  } catch {
    return null; // storage refused: the choice holds for this page
  }
}

/** @param {string} name @param {string} value */
function remember(name, value) {
  try {
    localStorage.setItem(`looks.${name}`, value);
  } catch {
    // storage refused: the choice holds for this page
  }
}
