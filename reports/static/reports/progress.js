// @ts-check
/** Shows how far an import or an export is, while it is under way: the part of the page that says so is fetched anew. */

const PAUSE_MS = 3000;

setTimeout(refresh, PAUSE_MS);

async function refresh() {
  const shown = document.getElementById("progress");
  if (!shown?.hasAttribute("data-unfinished")) return;
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("progress");
    if (answer.ok && fresh && !shown.contains(document.activeElement)) shown.replaceWith(fresh);
  } catch {
    // Without network the page stays as it is.
  }
  setTimeout(refresh, PAUSE_MS);
}
