"""From the file of an outbox to its records. The format is said in `calibration/static/bench/offline/export.js`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from fleet.errors import Invalid
from fleet.services.outbox_keys import KEY_ID_BYTES, outbox_private_key, public_bytes

POINTER: Final = "/file"
START: Final = b"LBOX\x01"
INFO: Final = b"levelbook outbox file 1"
POINT_BYTES: Final = 65
NONCE_BYTES: Final = 12
HEAD_BYTES: Final = len(START) + KEY_ID_BYTES + POINT_BYTES + NONCE_BYTES
LENGTH_BYTES: Final = 4
LARGEST_FILE_BYTES: Final = 11_000_000
"""With the form around it what one request may carry."""
MOST_RECORDS: Final = 500
LATEST_MS: Final = 253_402_300_799_000
"""The last moment of the year 9999."""
UNDECODABLE: Final = (UnicodeDecodeError, json.JSONDecodeError, RecursionError)


class _Picture(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=300, allow_blank=True)
    type = serializers.CharField(max_length=100, allow_blank=True)
    size = serializers.IntegerField(min_value=0, max_value=LARGEST_FILE_BYTES)


class _Content(serializers.Serializer[Any]):
    fields = serializers.DictField()  # type: ignore[assignment]  # the name that the format has
    file = _Picture(allow_null=True, required=False, default=None)


class _Record(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    person = serializers.UUIDField(allow_null=True)
    path = serializers.CharField(max_length=300)
    noted_at = serializers.IntegerField(min_value=0, max_value=LATEST_MS)
    state = serializers.ChoiceField(["waiting", "refused", "to_sign", "dropped"])
    content = serializers.JSONField()


class _Manifest(serializers.Serializer[Any]):
    version = serializers.IntegerField(min_value=1, max_value=1)
    workshop = serializers.UUIDField()
    tablet = serializers.CharField(max_length=80)
    saved_at = serializers.DateTimeField()
    records = serializers.ListField(child=_Record())


@dataclass(frozen=True, slots=True)
class Picture:
    """A file that belongs to a record."""

    name: str
    media_type: str
    content: bytes


@dataclass(frozen=True, slots=True)
class SavedRecord:
    """One record as the tablet would have sent it."""

    id: Any
    person_id: Any
    path: str
    noted_at_ms: int
    state: str
    fields: Mapping[str, Any]
    picture: Picture | None


@dataclass(frozen=True, slots=True)
class SavedOutbox:
    """What was on a tablet only."""

    workshop_id: Any
    tablet: str
    saved_at: datetime
    records: tuple[SavedRecord, ...]


def open_outbox_file(file: bytes) -> SavedOutbox:
    """Decrypt a file with the workshop's key and read it; refuses what is no such file, damaged or too much."""
    plain = _decrypted(file)
    end = LENGTH_BYTES + int.from_bytes(plain[:LENGTH_BYTES], "big")
    manifest = _manifest(plain[LENGTH_BYTES:end])
    if len(manifest["records"]) > MOST_RECORDS:
        message = _("The file holds %(count)s records; one may hold %(most)s.")
        raise Invalid.at(POINTER, "too_many", message % {"count": len(manifest["records"]), "most": MOST_RECORDS})
    return SavedOutbox(
        manifest["workshop"],
        manifest["tablet"],
        manifest["saved_at"],
        tuple(_records(manifest["records"], plain[end:])),
    )


def _decrypted(file: bytes) -> bytes:
    if len(file) > LARGEST_FILE_BYTES:
        message = _("The file is larger than %(limit)s bytes.") % {"limit": LARGEST_FILE_BYTES}
        raise Invalid.at(POINTER, "too_large", message)
    if len(file) < HEAD_BYTES or not file.startswith(START):
        raise Invalid.at(
            POINTER,
            "no_outbox_file",
            _("This is no file that a tablet saved. Choose the one that ends in .lbox."),
        )
    head, sealed = file[:HEAD_BYTES], file[HEAD_BYTES:]
    key_id, sender, nonce = _parts(head)
    private = outbox_private_key(key_id, POINTER)
    try:
        public = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender)
        salt = sender + public_bytes(private.public_key())
        key = HKDF(SHA256(), 32, salt=salt, info=INFO).derive(private.exchange(ec.ECDH(), public))
        return AESGCM(key).decrypt(nonce, sealed, head)
    except (InvalidTag, ValueError):
        raise damaged() from None


def _parts(head: bytes) -> tuple[bytes, bytes, bytes]:
    point, nonce = len(START) + KEY_ID_BYTES, HEAD_BYTES - NONCE_BYTES
    return head[len(START) : point], head[point:nonce], head[nonce:]


def damaged() -> Invalid:
    return Invalid.at(
        POINTER,
        "damaged",
        _("The file is damaged: nothing of it was taken. Copy it from the tablet again, or save it anew there."),
    )


def _manifest(text: bytes) -> dict[str, Any]:
    try:
        document = json.loads(text)
    except UNDECODABLE:
        raise damaged() from None
    return _valid(_Manifest, document)


def _valid(kind: type[serializers.Serializer[Any]], document: object) -> dict[str, Any]:
    serializer = kind(data=document)
    if not serializer.is_valid():
        raise damaged()
    return dict(serializer.validated_data)


def _records(listed: list[dict[str, Any]], files: bytes) -> Iterator[SavedRecord]:
    """The files stand one after the other, in the order of the records."""
    place = 0
    for each in listed:
        content = _valid(_Content, each["content"])
        picture, place = _picture(content["file"], files, place)
        if content["fields"].get("id") != str(each["id"]):
            raise damaged()  # carried out under another id, or none, it could be carried out twice
        yield SavedRecord(
            each["id"], each["person"], each["path"], each["noted_at"], each["state"], content["fields"], picture
        )


def _picture(listed: Mapping[str, Any] | None, files: bytes, place: int) -> tuple[Picture | None, int]:
    if listed is None:
        return None, place
    end = place + listed["size"]
    if end > len(files):
        raise damaged()
    return Picture(listed["name"], listed["type"], files[place:end]), end
