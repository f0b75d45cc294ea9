"""The tests of the tablet's modules, by Node.js: every `*.test.mjs` here, the random schedules among them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.bench.node import HERE, Node

FILES = sorted(path.name for path in HERE.glob("*.test.mjs"))


@pytest.mark.parametrize("file", FILES)
def test_the_tablets_modules_do_what_their_tests_say(node: Node, file: str) -> None:
    assert "\n# fail 0" in node.run("--test", "--test-reporter=tap", file)


def test_there_are_tests_of_the_schedules() -> None:
    assert "schedules.test.mjs" in FILES


def test_the_campaign_tells_how_many_schedules_it_ran(node: Node) -> None:
    *_, totals, verdict = node.run("schedules.mjs", "--schedules", "20", "--random-seed", "7").splitlines()
    assert json.loads(totals)["schedules"] == 20
    assert verdict.startswith("0 of 20 schedules went wrong")


def test_a_machine_without_node_is_told_what_is_missing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert shutil.which("node") is None
    with pytest.raises(AssertionError, match=r"Node\.js 18\.18 or later is missing"):
        Node.of_this_machine()
