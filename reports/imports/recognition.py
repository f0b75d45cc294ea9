"""What a file is, by its first bytes; its name says nothing that they do not."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import Final

from django.utils.translation import gettext as _

from fleet.errors import Invalid

from ..models import ImportFile

HEAD_BYTES: Final = 65_536
DELIMITERS: Final = ";\t,"
_UTF16: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_OTHER_KINDS: Final = (b"%PDF", b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"\x1f\x8b", b"Rar!", b"7z\xbc\xaf")
_OLD_SPREADSHEET: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ZIP: Final = b"PK\x03\x04"
_EMPTY_ZIP: Final = b"PK\x05\x06"


@dataclass(frozen=True)
class Recognised:
    """Format, and of text its encoding and what stands between columns."""

    format: str
    encoding: str = ""
    delimiter: str = ""


def recognised(head: bytes) -> Recognised:
    """What the file is; raises `Invalid` where it is none that can be imported."""
    if not head.strip():
        raise _refusal("empty_file", _("The file is empty. Choose the one that holds the rows."))
    if head.startswith(_OLD_SPREADSHEET):
        detail = _(
            "This is a spreadsheet of the old kind (.xls), or one with a password. Save it as .xlsx without one."
        )
        raise _refusal("old_spreadsheet", detail)
    if head.startswith((_ZIP, _EMPTY_ZIP)):
        return Recognised(ImportFile.Format.XLSX)
    if head.startswith(_OTHER_KINDS):
        raise _unknown()
    if head.startswith(_UTF16):
        return _text(head.decode("utf-16", "ignore"), "utf-16")
    if b"\0" in head:
        raise _unknown()
    return _text(_utf8(head), "utf-8-sig" if head.startswith(codecs.BOM_UTF8) else "utf-8")


def _utf8(head: bytes) -> str:
    try:
        # The last character may be cut where the head ends.
        return codecs.getincrementaldecoder("utf-8-sig")().decode(head, final=len(head) < HEAD_BYTES)
    except UnicodeDecodeError as error:
        line = head.count(b"\n", 0, error.start) + 1
        raise _refusal("not_utf8", not_utf8(line)) from None


def not_utf8(line: int) -> str:
    """Why text in another encoding is not guessed at."""
    return _(
        "Line %(line)s is not UTF-8, perhaps Windows-1252. Save the file as “CSV UTF-8” or as .xlsx: letters such as ü "
        "would come out wrong."
    ) % {"line": line}


def _text(text: str, encoding: str) -> Recognised:
    if "\r" in text and "\n" not in text:
        detail = _(
            "The lines of this file end with a carriage return alone, as old programs write them. Save it as “CSV "
            "UTF-8” or as .xlsx."
        )
        raise _refusal("old_line_ends", detail)
    first = next((line for line in text.splitlines() if line.strip()), "")
    if first.lstrip().startswith("{"):
        return Recognised(ImportFile.Format.NDJSON, encoding)
    return Recognised(ImportFile.Format.CSV, encoding, _delimiter(first))


def _delimiter(heading: str) -> str:
    """What stands most often in the line of headings, outside quotation marks."""
    outside = "".join(part for number, part in enumerate(heading.split('"')) if number % 2 == 0)
    return max(DELIMITERS, key=outside.count)


def _unknown() -> Invalid:
    return _refusal("unknown_format", _("This is no table. Send CSV, XLSX, or a JSON object in each line (NDJSON)."))


def _refusal(code: str, detail: str) -> Invalid:
    return Invalid.at("/file", code, detail)
