/** What stands on a tyre's sidewall, as people type it. */

import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { sidewall } from "../../calibration/static/bench/app/screens/job/sidewall.js";

describe("a sidewall", () => {
  test("is read in upper or lower case, with or without spaces", () => {
    const van = { size: "235/65R16C", load_index: 115, speed_symbol: "R" };
    for (const text of ["235/65 R16C 115/113 R", "235/65r16c115/113r", " 235 / 65 R 16 C  115 / 113R ", "235/65R16C (115/113R) 8PR"]) {
      assert.deepEqual(sidewall(text), van, text);
    }
  });

  test("is read for every kind of size that the service reads", () => {
    const read = {
      "255/60 zr 18 112v xl": ["255/60ZR18 XL", 112, "V"],
      "LT245/75R16 121/118S": ["LT245/75R16", 121, "S"],
      "p255/60r18": ["P255/60R18", null, null],
      "31 x 10,50 r 15 lt 109 q": ["31x10.50R15LT", 109, "Q"],
      "205/55 R16 91V M+S": ["205/55R16", 91, "V"],
    };
    for (const [text, [size, load_index, speed_symbol]] of Object.entries(read)) {
      assert.deepEqual(sidewall(text), { size, load_index, speed_symbol }, text);
    }
  });

  test("that cannot be read says which part of it is wrong", () => {
    const wrong = {
      "": "size is missing",
      "65 R16": "width is missing",
      "1235/65R16": "width is missing",
      "235 R16": "Behind the width",
      "235/65 16": "letter before the rim",
      "235/65 R": "rim diameter is missing",
      "235/65 R16 115": "speed symbol is missing: the letter behind load index 115",
      "235/65 R16 115 O": "“O” is no speed symbol",
      "235/65 R16 315 R": "“315” is no load index",
      "235/65 R16 summer": "“SUMMER” behind the size",
    };
    for (const [text, told] of Object.entries(wrong)) assert.ok(sidewall(text).problem.includes(told), text);
  });
});
