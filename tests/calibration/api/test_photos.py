"""Photos over HTTP: real pictures only, of bounded size, kept without place and device."""

from __future__ import annotations

import hashlib
import os
import struct
import zlib
from collections.abc import Callable
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import ExifTags, Image

from calibration.api.parsers import FORM_BYTES, LARGEST_PHOTO_BYTES
from calibration.models import Photo
from calibration.services import photos
from calibration.tasks import remove_abandoned_files
from deploy.celery import app as celery
from deploy.threaded import LARGEST_BODY
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from tests.calibration.api.http_bench import ONE_HIGH, HttpBench
from tests.calibration.api.test_jobs import errors_of
from tests.factories import make_site


@pytest.fixture(autouse=True)
def _file_store(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path


def picture(kind: str = "JPEG", size: tuple[int, int] = (40, 30), **options: Any) -> bytes:
    buffer = BytesIO()
    Image.new("RGB", size, (120, 60, 20)).save(buffer, format=kind, **options)
    return buffer.getvalue()


def upload(content: bytes, name: str = "tape.jpg") -> dict[str, Any]:
    return {"file": SimpleUploadedFile(name, content, content_type="image/jpeg")}


def located() -> bytes:
    """A picture that says where, when and with what it was taken."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Invented camera"
    exif[ExifTags.Base.Orientation] = 6
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (54.0, 30.0, 0.0)
    return picture(exif=exif.tobytes())


@pytest.fixture
def address(bench: HttpBench) -> str:
    return f"/rounds/{bench.measured(ONE_HIGH)['id']}/photos/"


def test_a_photo_is_kept_without_place_and_device_and_turned_upright(bench: HttpBench, address: str) -> None:
    sent = located()
    assert b"Invented camera" in sent

    photo = bench.post(address, upload(sent), kind="multipart").json()

    kept: Any = bench.client.get(photo["file"])
    content = b"".join(kept.streaming_content)
    assert kept["Content-Type"] == photo["media_type"] == "image/jpeg"
    assert (hashlib.sha256(content).hexdigest(), len(content)) == (photo["sha256"], photo["size"])
    with Image.open(BytesIO(content)) as image:
        assert dict(image.getexif()) == {}
        assert image.size == (30, 40)
    assert b"Invented camera" not in content


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_pictures_of_the_usual_kinds_are_kept(bench: HttpBench, address: str, kind: str) -> None:
    response = bench.post(address, upload(picture(kind)), kind="multipart")

    assert response.status_code == 201
    assert response.json()["media_type"] == f"image/{kind.lower()}"
    assert bench.get(f"/photos/{response.json()['id']}/").json() == response.json()
    assert bench.get(address).json()["results"] == [response.json()]
    assert bench.state()["photos"] == [response.json()]


def test_a_picture_with_a_second_view_in_it_is_a_jpeg_all_the_same(bench: HttpBench, address: str) -> None:
    buffer = BytesIO()
    first, second = Image.new("RGB", (40, 30)), Image.new("RGB", (20, 15))
    first.save(buffer, format="MPO", save_all=True, append_images=[second])

    response = bench.post(address, upload(buffer.getvalue()), kind="multipart")

    assert (response.status_code, response.json().get("media_type")) == (201, "image/jpeg")


def test_photos_belong_to_writes_too(bench: HttpBench, address: str) -> None:
    write = bench.write(bench.propose())

    photo = bench.post(f"/writes/{write['id']}/photos/", upload(picture()), kind="multipart").json()

    assert (photo["write"], photo["round"]) == (write["id"], None)


def decompression_bomb() -> bytes:
    """A PNG of 30,000 × 30,000 black pixels in about a megabyte, as its head says."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes(30_001) * 1000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def picture_with_damaged_notes() -> bytes:
    """Its Exif block gives text where a number belongs, which the library meets when it turns the picture."""
    notes = Image.Exif()
    notes[0x010F], notes[0x0112] = "x" * 20, 6
    buffer = BytesIO()
    Image.new("RGB", (8, 8)).save(buffer, "JPEG", exif=notes)
    return buffer.getvalue().replace(b"\x01\x0f\x00\x02", b"\x01\x07\x00\x02")


NO_PICTURES: dict[str, Callable[[], bytes]] = {
    "text": lambda: b"not a picture",
    "script": lambda: b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>",
    "cut short": lambda: picture(size=(400, 300))[:600],
    "head alone": lambda: picture("PNG")[:30],
    "bitmap": lambda: picture("BMP"),
    "animation": lambda: picture("GIF"),
    "damaged notes about the picture": picture_with_damaged_notes,
    "bomb": decompression_bomb,
    "large bomb, still below the library's own limit": lambda: picture("PNG", size=(9000, 7000)),
}


@pytest.mark.parametrize("name", NO_PICTURES)
def test_what_is_no_picture_is_refused_and_not_kept(bench: HttpBench, address: str, name: str) -> None:
    response = bench.post(address, upload(NO_PICTURES[name]()), kind="multipart")

    assert response.status_code == 422, response.content
    assert errors_of(response) == {("/file", "not_an_image")}
    with in_workshop(bench.site.workshop.pk):
        assert not Photo.objects.exists()


def test_a_picture_above_the_limit_is_too_large_and_one_below_is_not(bench: HttpBench, address: str) -> None:
    padded = picture() + bytes(9_990_000)

    below = bench.post(address, upload(padded[:9_999_000]), kind="multipart")
    above = bench.post(address, upload(padded + bytes(20_000)), kind="multipart")
    far_above = bench.post(address, upload(bytes(10_100_000)), kind="multipart")

    assert (below.status_code, above.status_code, far_above.status_code) == (201, 413, 413)


@pytest.mark.parametrize(
    ("body", "pointer"),
    [({}, "/file"), ({"file": "text instead"}, "/file"), ({**upload(b""), "id": str(new_id())}, "/file")],
)
def test_a_form_without_a_file_is_refused(bench: HttpBench, address: str, body: dict[str, Any], pointer: str) -> None:
    response = bench.post(address, body, kind="multipart")

    assert response.status_code == 422
    assert {each["pointer"] for each in response.json()["errors"]} == {pointer}


def test_a_form_that_cannot_be_read_is_malformed(bench: HttpBench, address: str) -> None:
    answers = {
        bench.client.post(f"/api/v1{address}", body, content_type=content_type).status_code
        for body, content_type in (
            (b"--x\r\n\r\n", "multipart/form-data"),
            (b"\xff\xfe", 'multipart/form-data; boundary="\x80"'),
            (b"--x\r\nContent-Disposition: form-data", "multipart/form-data; boundary=x"),
        )
    }

    assert answers <= {400, 422}
    assert bench.client.post(f"/api/v1{address}", b"{}", content_type="application/json").status_code == 415


def test_a_photo_sent_again_is_the_first_one_and_another_under_its_id_is_a_conflict(
    bench: HttpBench, address: str
) -> None:
    photo_id = str(new_id())

    first = bench.post(address, {**upload(picture()), "id": photo_id}, kind="multipart")
    again = bench.post(address, {**upload(picture()), "id": photo_id}, kind="multipart")
    other = bench.post(address, {**upload(picture("PNG")), "id": photo_id}, kind="multipart")

    assert (first.status_code, again.status_code, other.status_code) == (201, 200, 409)
    assert again.json() == first.json()
    assert len(bench.get(address).json()["results"]) == 1


def test_a_photo_whose_picture_was_lost_is_not_found(bench: HttpBench, address: str, settings: Any) -> None:
    photo = bench.post(address, upload(picture()), kind="multipart").json()
    with in_workshop(bench.site.workshop.pk):
        kept = Path(settings.MEDIA_ROOT) / Photo.objects.get(pk=photo["id"]).path
    kept.unlink()

    assert bench.client.get(photo["file"]).status_code == 404


def test_photos_of_another_workshop_do_not_exist(bench: HttpBench, address: str) -> None:
    photo = bench.post(address, upload(picture()), kind="multipart").json()
    stranger = make_site().manager.client()

    assert bench.get(address, client=stranger).status_code == 404
    assert bench.get(f"/photos/{photo['id']}/", client=stranger).status_code == 404
    assert stranger.get(photo["file"]).status_code == 404
    assert bench.post(address, upload(picture()), client=stranger, kind="multipart").status_code == 404


def test_what_a_killed_process_left_of_a_picture_is_cleared_away(
    bench: HttpBench, address: str, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    class KilledError(Exception):
        pass

    def killed(_path: Path) -> None:
        raise KilledError

    with monkeypatch.context() as patch:
        patch.setattr(photos, "_flush", killed)
        with pytest.raises(KilledError):
            bench.post(address, upload(picture()), kind="multipart")
    assert bench.post(address, upload(picture("PNG")), kind="multipart").status_code == 201
    files = {file for file in Path(settings.MEDIA_ROOT).rglob("*") if file.is_file()}
    (left,) = (file for file in files if file.name.endswith(".unfinished"))
    assert len(files) == 2

    for minutes, removed in ((59, 0), (61, 1), (61, 0)):  # being written for all one knows; abandoned; gone
        written_at = (timezone.now() - timedelta(minutes=minutes)).timestamp()
        for file in files:
            if file.exists():
                os.utime(file, (written_at, written_at))
        assert photos.abandoned_files_remove(now=timezone.now()) == removed
        assert left.exists() == (minutes == 59)
    assert [file.exists() for file in files - {left}] == [True]


def test_the_clearing_is_on_the_schedule_and_harmless_where_there_is_nothing(settings: Any) -> None:
    settings.MEDIA_ROOT = settings.MEDIA_ROOT / "none yet"
    scheduled = {entry["task"] for entry in celery.conf.beat_schedule.values()}
    assert remove_abandoned_files.name in scheduled & set(celery.tasks)
    remove_abandoned_files()


def test_no_upload_lies_in_a_temporary_file_that_a_kill_would_leave(settings: Any) -> None:
    """The framework writes larger ones to files of their own."""
    assert min(settings.FILE_UPLOAD_MAX_MEMORY_SIZE, LARGEST_BODY) >= LARGEST_PHOTO_BYTES + FORM_BYTES
