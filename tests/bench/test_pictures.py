"""Photos as the tablet keeps them, and more on it than goes into one file."""

from __future__ import annotations

import base64
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Page, expect

from tests.bench.bay import TabletInBay
from tests.bench.conftest import NewTablet

ORIENTATION, GPS = 0x0112, 0x8825
LYING, TO_BE_TURNED = (3000, 1500), 6
"""The camera was held upright: turned by a quarter to the right the picture is 1500 wide and 3000 high."""

KEEP = """async ([name, type, content]) => {
  const { pictureToKeep } = await import("/static/bench/app/screens/job/picture.js");
  const bytes = Uint8Array.from(atob(content), (each) => each.charCodeAt(0));
  const kept = await pictureToKeep(new File([bytes], name, { type }));
  if ("refused" in kept) return kept.refused;
  const view = new Uint8Array(await kept.file.arrayBuffer());
  let text = "";
  for (const byte of view) text += String.fromCharCode(byte);
  return [kept.file.name, kept.file.type, btoa(text)];
}"""

SAVE = """async () => {
  const { saveOutbox } = await import("/static/bench/app/outbox_file.js");
  const keys = await crypto.subtle.generateKey({ name: "ECDH", namedCurve: "P-256" }, true, ["deriveBits"]);
  const point = new Uint8Array(await crypto.subtle.exportKey("raw", keys.publicKey));
  const records = [1, 2, 3].map((seq) => ({ seq, id: String(seq), state: "waiting" }));
  const file = { name: "tape.jpg", type: "image/jpeg", bytes: new ArrayBuffer(6_000_000) };
  await saveOutbox({
    session: { enrolled: { workshop: { id: "w" }, tablet: { name: "bay" }, token: "" } },
    service: { get: async () => ({ body: null }) },
    cupboard: { get: async () => ({ workshop: "w", key: btoa(String.fromCharCode(...point)) }) },
    sending: { store: {
      read: async () => ({ records, meta: { epoch: "e" } }),
      content: async () => ({ fields: {}, file }),
    } },
    frame: { say: (text, _severity, ...more) => document.querySelector("main").replaceChildren(text, ...more.flat()) },
  });
}"""


def photo(format_: str, size: tuple[int, int], orientation: int = 1) -> bytes:
    """Red at its left, blue at its right, with orientation and place."""
    image = Image.new("RGB", size, "blue")
    image.paste("red", (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif.get_ifd(GPS)[1] = "N"
    buffer = BytesIO()
    image.save(buffer, format_, exif=exif)
    return buffer.getvalue()


def kept(page: Page, name: str, type_: str, content: bytes) -> object:
    return page.evaluate(KEEP, [name, type_, base64.b64encode(content).decode()])


def picture_of(found: object) -> tuple[str, Image.Image]:
    assert isinstance(found, list), found
    name, type_, content = found
    assert type_ == "image/jpeg"
    return name, Image.open(BytesIO(base64.b64decode(content)))


@pytest.fixture
def page(new_tablet: NewTablet) -> Page:
    tablet: TabletInBay = new_tablet(is_enrolled=False)
    tablet.open()
    tablet.expect_heading("Enrol this tablet")
    return tablet.page


def test_a_photo_is_kept_small_and_upright_without_place_or_else_as_it_came(page: Page) -> None:
    name, picture = picture_of(kept(page, "IMG.7.PNG", "image/jpeg", photo("JPEG", LYING, TO_BE_TURNED)))
    assert (name, picture.size, dict(picture.getexif())) == ("IMG.7.jpg", (1024, 2048), {})
    red, _green, blue = picture.convert("RGB").getpixel((512, 20))  # type: ignore[misc]
    assert red > 200 > 50 > blue
    _name, small = picture_of(kept(page, "screen.png", "image/png", photo("PNG", (300, 100))))
    assert (small.size, dict(small.getexif())) == ((300, 100), {})
    assert kept(page, "notes.heic", "image/heic", b"no picture") == "unreadable"
    page.evaluate(
        "() => { globalThis.createImageBitmap = async () => { throw new DOMException('no', 'AbortError'); }; }"
    )
    original = photo("JPEG", (40, 20))
    assert kept(page, "a.jpg", "image/jpeg", original) == ["a.jpg", "image/jpeg", base64.b64encode(original).decode()]
    assert kept(page, "a.jpg", "image/jpeg", original + bytes(10_000_000)) == "too_large"


def test_what_is_too_much_for_one_file_is_saved_as_several_in_order(page: Page, tmp_path: Path) -> None:
    page.evaluate(SAVE)
    expect(page.get_by_text("Save each of these files, and hand them in in this order.")).to_be_visible()
    for number in (1, 2, 3):
        with page.expect_download() as download:
            page.get_by_role("button", name=f"Save file {number} of 3", exact=True).click()
        assert download.value.suggested_filename.endswith(f"-{number}-of-3.lbox")
        download.value.save_as(tmp_path / str(number))
        assert 6_000_000 < (tmp_path / str(number)).stat().st_size < 11_000_000
