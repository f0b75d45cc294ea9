"""The schema from the document's own classes: `python -m reports.certificate.schema.writing` writes the file."""

from __future__ import annotations

import dataclasses
import json
import types
from datetime import date, datetime
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from ..document import SCHEMA_VERSION, Document
from ..proof import FORMAT
from . import SCHEMA_FILE
from .members import MEMBERS

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
_TIME: Final = {
    "format": "date-time",
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?[+-]\d\d:\d\d$",
}
"""ISO 8601 with its offset. The pattern is for validators that do not look at formats."""
_PLAIN: Final[dict[Any, dict[str, Any]]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    datetime: {"type": "string", **_TIME},
    date: {"type": "string", "format": "date"},
    types.NoneType: {"type": "null"},
}
_SHA256: Final = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
_UUID: Final = {"type": "string", "format": "uuid"}


def schema() -> dict[str, Any]:
    """The whole schema; equal classes give equal content."""
    defs: dict[str, Any] = {}
    _of_class(Document, defs)
    defs["Document"]["properties"]["schema_version"]["const"] = SCHEMA_VERSION
    defs["LedgerEntry"] = _entry()
    return {
        "$schema": DIALECT,
        "$id": "urn:levelbook:schema:certificate-1",
        "title": "Record attached to a Levelbook certificate or findings report",
        "description": "Carried by the PDF as the associated file record.json: canonical JSON (RFC 8785). "
        "Lengths are millimetres and distances kilometres, unrounded; times carry their offset.",
        **_object(
            {
                "format": {"const": FORMAT, "description": "Name and version of this format."},
                "document": {
                    "$ref": "#/$defs/Document",
                    "description": "What the pages say. The SHA-256 of its canonical JSON is "
                    "entry.payload.facts.snapshot_sha256.",
                },
                "renderer_version": {"type": "string", "description": "Version of what drew the pages from it."},
                "entry": {"$ref": "#/$defs/LedgerEntry"},
                "inclusion": _object(
                    {
                        "leaf_index": {
                            "type": "integer",
                            "minimum": 0,
                            "description": "Place of the entry among the leaves, counted from 0. A leaf's data are "
                            "the 32 bytes of the entry's hash.",
                        },
                        "path": {
                            "type": "array",
                            "items": _SHA256,
                            "description": "Hashes of the nodes from the leaf upwards, hexadecimal.",
                        },
                    },
                    "Inclusion proof of the entry in the tree of the checkpoint (RFC 9162, 2.1.3; SHA-256).",
                ),
                "checkpoint": {
                    "type": "string",
                    "description": "Signed head of the workshop's tree: origin, size, root (base64), made_at, after, "
                    "an empty line and the Ed25519 signature (C2SP tlog-checkpoint).",
                },
                "verifier_key": {
                    "type": "string",
                    "pattern": r"^.+\+[0-9a-f]{8}\+[A-Za-z0-9+/]+=*$",
                    "description": "Public key of the head's signature as name+hash+base64 (C2SP signed-note). "
                    "Compare it with one that you got otherwise.",
                },
            }
        ),
        "$defs": dict(sorted(defs.items())),
    }


def schema_json() -> str:
    return json.dumps(schema(), indent=2, ensure_ascii=False) + "\n"


def _object(properties: dict[str, Any], description: str = "") -> dict[str, Any]:
    described = {"description": description} if description else {}
    return {
        "type": "object",
        **described,
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _entry() -> dict[str, Any]:
    """An entry of the ledger, as `fleet.ledger` makes its hash."""
    facts = {
        "snapshot_sha256": {**_SHA256, "description": "SHA-256 of the document's canonical JSON, hexadecimal."},
        "renderer_version": {"type": "string", "description": "Version of what draws the pages."},
        "signing_certificate_sha256": {
            **_SHA256,
            "description": "SHA-256 of the DER of the X.509 certificate that signs the PDF, hexadecimal.",
        },
    }
    rows = {
        "type": "object",
        "description": "Rows recorded, by table: the certificate's own.",
        "additionalProperties": {"type": "array", "items": {"type": "object"}},
    }
    return _object(
        {
            "id": {**_UUID, "description": "Id of the entry."},
            "workshop_id": {**_UUID, "description": "The workshop, which also names the tree."},
            "book": {**_UUID, "description": "The vehicle whose book the entry is in."},
            "vehicle_id": {"type": ["string", "null"], "format": "uuid", "description": "The vehicle."},
            "sequence": {"type": "integer", "minimum": 1, "description": "Place in the book, counted from 1."},
            "recorded_at": {"type": "string", **_TIME, "description": "The service's time."},
            "device_at": {"type": ["string", "null"], **_TIME, "description": "The tablet's time."},
            "clock_offset_ms": {"type": ["integer", "null"], "description": "By which the tablet's clock was off."},
            "actor": {"type": ["string", "null"], "format": "uuid", "description": "Who; null for the service."},
            "roles": {"type": "array", "items": {"type": "string"}, "description": "Roles of who did it."},
            "kind": {"const": "certificate_prepared", "description": "Kind of step."},
            "record_type": {"const": "reports.certificate", "description": "Table of what it is about."},
            "record_id": {**_UUID, "description": "Id of the certificate."},
            "payload": _object(
                {"rows": rows, "facts": _object(facts, "What was about to be issued.")}, "What was recorded."
            ),
            "previous_hash": {**_SHA256, "description": "Hash of the entry before it in the book."},
            "hash": {**_SHA256, "description": "SHA-256 of the canonical JSON (RFC 8785) of all other members."},
        },
        "The ledger entry by which the certificate was prepared.",
    )


def _of_class(cls: Any, defs: dict[str, Any]) -> dict[str, Any]:
    name = cls.__name__
    if name not in defs:
        defs[name] = {}  # holds the place of a class that is asked for while it is being written
        hints = get_type_hints(cls)
        properties = {
            field.name: {**_of_type(hints[field.name], defs), "description": _described(name, field.name)}
            for field in dataclasses.fields(cls)
        }
        defs[name] = _object(properties)
    return {"$ref": f"#/$defs/{name}"}


def _described(cls: str, member: str) -> str:
    return MEMBERS.get(f"{cls}.{member}") or MEMBERS[member]


def _of_type(hint: Any, defs: dict[str, Any]) -> dict[str, Any]:
    if hint in _PLAIN:
        return dict(_PLAIN[hint])
    origin, arguments = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_of_type(each, defs) for each in arguments]}
    if origin is tuple and arguments[1:] == (Ellipsis,):
        return {"type": "array", "items": _of_type(arguments[0], defs)}
    if origin is tuple:
        items = [_of_type(each, defs) for each in arguments]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}
    if origin is dict:
        names, values = arguments
        return {
            "type": "object",
            "propertyNames": _of_type(names, defs),
            "additionalProperties": _of_type(values, defs),
        }
    return _of_class(hint, defs)


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_json(), encoding="utf-8")
