"""When a start brings tables and static files into place again; test_service.py starts the service itself."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from deploy.embedded import prepared
from deploy.embedded.folder import DataFolder
from deploy.embedded.prepared import code_state, is_prepared, preparing


class TestCodeState:
    @pytest.fixture
    def sources(self, tmp_path: Path) -> Path:
        """An application of two files."""
        folder = tmp_path / "app"
        (folder / "static").mkdir(parents=True)
        (folder / "models.py").write_text("AGE = 1")
        (folder / "static" / "page.css").write_text("p { margin: 0 }")
        return folder

    def test_is_the_same_twice(self, sources: Path) -> None:
        assert code_state((sources,)) == code_state((sources,))

    @pytest.mark.parametrize(
        "change",
        [
            lambda sources: (sources / "models.py").write_text("AGE = 10"),
            lambda sources: os.utime(sources / "static" / "page.css", ns=(1, 1)),
            lambda sources: (sources / "static" / "new.css").touch(),
            lambda sources: (sources / "models.py").unlink(),
            lambda sources: (sources / "models.py").rename(sources / "views.py"),
        ],
        ids=["content", "time", "new file", "file gone", "file renamed"],
    )
    def test_changes_with_every_source(self, change: Callable[[Path], object], sources: Path) -> None:
        before = code_state((sources,))
        change(sources)
        assert code_state((sources,)) != before

    def test_changes_with_a_package(self, sources: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        before = code_state((sources,))
        metadata = tmp_path / "installed" / "levels-2.0.dist-info"
        metadata.mkdir(parents=True)
        (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: levels\nVersion: 2.0\n")
        monkeypatch.syspath_prepend(tmp_path / "installed")
        assert code_state((sources,)) != before

    def test_does_not_change_when_python_keeps_what_it_compiled(self, sources: Path) -> None:
        before = code_state((sources,))
        (sources / "__pycache__").mkdir()
        (sources / "__pycache__" / "models.pyc").touch()
        assert code_state((sources,)) == before


class TestPrepared:
    @pytest.fixture
    def applied(self, monkeypatch: pytest.MonkeyPatch) -> list[str]:
        """The migrations of the database, which a test may change."""
        migrations = ["fleet 0001_initial"]
        monkeypatch.setattr(prepared, "_applied_migrations", lambda _data: "\n".join(migrations))
        return migrations

    @pytest.fixture
    def data(self, applied: list[str], tmp_path: Path) -> DataFolder:
        """A folder on which everything is in place."""
        folder = DataFolder(tmp_path)
        with preparing(folder):
            folder.static.mkdir()
            (folder.static / "staticfiles.json").touch()
        return folder

    def test_stays_so(self, data: DataFolder) -> None:
        assert is_prepared(data)

    def test_ends_with_other_code(self, data: DataFolder, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(prepared, "code_state", lambda: "of a newer version")
        assert not is_prepared(data)

    def test_ends_with_other_migrations(self, data: DataFolder, applied: list[str]) -> None:
        applied.clear()
        assert not is_prepared(data)

    def test_ends_with_the_static_files(self, data: DataFolder) -> None:
        (data.static / "staticfiles.json").unlink()
        assert not is_prepared(data)

    def test_begins_only_when_everything_went_well(self, data: DataFolder) -> None:
        with pytest.raises(RuntimeError, match="no space left"), preparing(data):
            raise RuntimeError("no space left")
        assert not is_prepared(data)

    def test_is_not_that_of_code_which_came_meanwhile(self, data: DataFolder, monkeypatch: pytest.MonkeyPatch) -> None:
        with preparing(data):
            monkeypatch.setattr(prepared, "code_state", lambda: "of a newer version")
        assert not is_prepared(data)
