/**
 * The language of this tablet: the browser's own, or the one that somebody chose here. The service takes it from a cookie
 * and writes the app's page and texts in it, which the worker keeps. Pages elsewhere are in the language of their reader.
 */

import { renewWorker } from "./installation.js";

const SCOPE = "/bench/";
const COOKIE = "django_language";
const A_YEAR_S = 31_536_000;

/** All that the service speaks, each by its own name. @returns {[code: string, name: string][]} */
export function languages() {
  const codes = (document.documentElement.dataset.languages ?? "").split(" ").filter(Boolean);
  return codes.map((code) => [code, new Intl.DisplayNames([code], { type: "language" }).of(code) ?? code]);
}

/** What was chosen holds on: browsers forget a cookie that a page has not set for some days. */
export function recallLanguage() {
  const found = new RegExp(`(?:^|; )${COOKIE}=([\\w-]+)`).exec(document.cookie);
  if (found) choose(found[1]);
}

/** @param {string} code */
export async function speak(code) {
  choose(code);
  await renewWorker();
  location.reload();
}

/** @param {string} code */
function choose(code) {
  const secure = location.protocol === "https:" ? "; secure" : "";
  document.cookie = `${COOKIE}=${code}; path=${SCOPE}; max-age=${A_YEAR_S}; samesite=lax${secure}`;
}
