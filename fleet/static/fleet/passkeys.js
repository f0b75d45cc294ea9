// What a passkey needs of the browser: parts of a page marked with data-passkey are shown only where it can do it,
// and a failure is said in the page. A passkey belongs to a name: at a bare network address browsers refuse all of them.

const canDoIt = "PublicKeyCredential" in window;
const isByNumber = /^[\d.]+$|^\[/.test(location.hostname);

for (const part of document.querySelectorAll("[data-passkey]")) {
  part.hidden = !canDoIt || isByNumber;
}
for (const part of document.querySelectorAll("[data-no-passkey]")) {
  part.hidden = canDoIt || isByNumber;
}
for (const part of document.querySelectorAll("[data-passkey-by-name]")) {
  part.hidden = !isByNumber;
}
document.addEventListener("allauth.error", () => {
  for (const part of document.querySelectorAll("[data-passkey-failed]")) {
    part.hidden = false;
  }
});
