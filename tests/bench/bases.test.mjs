/** Set-points as a tool shows them, and the integers that are sent. */

import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { countIn, shownIn, typedIn } from "../../calibration/static/bench/app/screens/job/bases.js";

const BYTE = { setpoint_min: 0, setpoint_max: 255 };
const OFFSET = { setpoint_min: -40, setpoint_max: 40 };

describe("a set-point", () => {
  test("is read as it is typed, in either base", () => {
    assert.deepEqual(["26", "-3", "−3", "+7"].map((each) => countIn(each, "decimal")), [26, -3, -3, 7]);
    assert.deepEqual(["1A", "1a", "0x1A", "-A"].map((each) => countIn(each, "hexadecimal", BYTE)), [26, 26, 26, -10]);
  });

  test("that is none in its base is none", () => {
    assert.deepEqual(["", "-", "1A", "1.5", "12345678901"].map((each) => countIn(each, "decimal")), Array(5).fill(null));
    assert.deepEqual(["", "-", "1G", "123456789"].map((each) => countIn(each, "hexadecimal")), Array(4).fill(null));
  });

  test("has 32 bits, with sign", () => {
    assert.equal(countIn("2147483647", "decimal"), 2 ** 31 - 1);
    assert.equal(countIn("2147483648", "decimal"), null);
    assert.equal(countIn("7FFFFFFF", "hexadecimal"), 2 ** 31 - 1);
    assert.equal(countIn("80000000", "hexadecimal"), -(2 ** 31));
    assert.equal(countIn("FFFFFFF6", "hexadecimal"), -10);
    assert.equal(countIn("-FFFFFFFF", "hexadecimal"), null);
  });

  test("is a two's complement only where nothing else is possible", () => {
    assert.deepEqual(["F6", "FFF6"].map((each) => countIn(each, "hexadecimal", OFFSET)), [-10, -10]);
    assert.equal(countIn("F6", "hexadecimal", BYTE), 246);
    assert.equal(countIn("F6", "hexadecimal"), 246);
    assert.equal(countIn("FF6", "hexadecimal", OFFSET), 4086, "three figures are no whole bytes");
    assert.equal(countIn("80", "hexadecimal", OFFSET), 128, "-128 is not possible either: it stays what it says");
  });

  test("goes there and back", () => {
    for (const count of [0, 9, 10, 26, 255, -1, -40, 2 ** 31 - 1, -(2 ** 31) + 1]) {
      for (const base of ["decimal", "hexadecimal"]) assert.equal(countIn(typedIn(count, base), base), count);
    }
  });

  test("is shown in both where the tool shows hexadecimal", () => {
    assert.deepEqual([shownIn(26, "decimal"), shownIn(26, "hexadecimal"), shownIn(null, "decimal")], ["26", "26 (1A hex)", "–"]);
  });
});
