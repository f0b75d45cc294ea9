// What a passkey needs of the browser: parts of a page marked with data-passkey are shown only where it can do it,
// and a failure is said in the page.

const canDoIt = "PublicKeyCredential" in window;

for (const part of document.querySelectorAll("[data-passkey]")) {
  part.hidden = !canDoIt;
}
for (const part of document.querySelectorAll("[data-no-passkey]")) {
  part.hidden = canDoIt;
}
document.addEventListener("allauth.error", () => {
  for (const part of document.querySelectorAll("[data-passkey-failed]")) {
    part.hidden = false;
  }
});
