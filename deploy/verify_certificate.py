"""Check a certificate file by itself, without the service that issued it.

    python verify_certificate.py FILE.pdf [--key VERIFIER_KEY]

Needs Python 3.11 or later and the package `cryptography`; nothing else, no network. Ends with 0 where everything holds,
1 where anything does not (and says what), 2 where the file cannot be read.

The file proves itself in a chain: the PDF's signature covers every byte; the ledger entry within names the certificate
that signed, and the SHA-256 of the record; the entry's hash is a leaf of the workshop's tree; the head of the tree is
signed by the service. What the chain hangs from is the service's key: give the one that you know with `--key`, either
the whole `name+hash+base64` or the base64 alone. Without it somebody could have made all of the chain anew.

Certificates have one form, and this reads no other: cross-reference tables, one signature, one attached record.
Whatever is read is bounded in size and depth.
"""

from __future__ import annotations

import argparse
import base64
import binascii
import hashlib
import json
import re
import sys
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any, Final

try:
    from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa
    from cryptography.hazmat.primitives.serialization import load_der_public_key
except ImportError:
    sys.stdout.write("Cannot be checked: the package cryptography is missing. Install it: pip install cryptography\n")
    sys.exit(2)

LARGEST_FILE: Final = 5_000_000
LARGEST_RECORD: Final = 2_000_000
LARGEST_SIGNATURE: Final = 20_000
DEEPEST: Final = 60
MOST_VALUES: Final = 200_000
"""Parts of the file's structure that are read: some thousand in a certificate."""
MOST_REVISIONS: Final = 8
LONGEST_PATH: Final = 64
LARGEST_EXACT: Final = 2**53 - 1
FORMAT: Final = "levelbook-certificate/1"
ATTACHMENT: Final = b"record.json"
RECORDED_AS: Final = ("certificate_prepared", "reports.certificate")
MEMBERS: Final = frozenset(
    {"format", "document", "renderer_version", "entry", "inclusion", "checkpoint", "verifier_key"}
)


UNFORESEEN: Final = "the file is damaged in a way that this program does not foresee"


class Wrong(Exception):  # noqa: N818  (no fault of this program)
    """Something about the file does not hold; says what."""


class Unreadable(Exception):  # noqa: N818
    """There is nothing that could be checked; says why."""


def require(holds: bool, otherwise: str) -> None:
    if not holds:
        raise Wrong(otherwise)


# --- PDF (ISO 32000-1, 7): as much as leads to the signature and the attachment -------------------------------------


class Name(str):
    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Reference:
    number: int
    generation: int


@dataclass(frozen=True, slots=True)
class Text:
    """A string, and where it stands in the file with its delimiters."""

    value: bytes
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Stream:
    about: dict[str, Any]
    start: int


_SPACE: Final = re.compile(rb"(?:[\x00\t\n\f\r ]|%[^\r\n]*)*")
_NAME: Final = re.compile(rb"/([^\x00\t\n\f\r ()<>\[\]{}/%]*)")
_NUMBER: Final = re.compile(rb"[+-]?(?:[0-9]{1,18}(?:\.[0-9]{0,18})?|\.[0-9]{1,18})(?=[\x00\t\n\f\r ()<>\[\]{}/%]|$)")
_REFERENCE: Final = re.compile(rb"([0-9]{1,10})[\x00\t\n\f\r ]+([0-9]{1,5})[\x00\t\n\f\r ]+R(?![A-Za-z0-9])")
_HEX: Final = re.compile(rb"<([0-9A-Fa-f\x00\t\n\f\r ]*)>")
_WORD: Final = re.compile(rb"true|false|null")
_WORDS: Final = {b"true": True, b"false": False, b"null": None}
_OBJECT: Final = re.compile(rb"([0-9]{1,10}) ([0-9]{1,5}) obj")
_STREAM: Final = re.compile(rb"stream\r?\n")
_END_OF_STREAM: Final = re.compile(rb"\r?\n?endstream")
_END: Final = re.compile(rb"startxref\r?\n([0-9]{1,10})\r?\n%%EOF\r?\n?")
_TABLE: Final = re.compile(rb"xref\r?\n")
_SECTION: Final = re.compile(rb"([0-9]{1,10}) ([0-9]{1,7}) ?\r?\n")
_ENTRY: Final = re.compile(rb"([0-9]{10}) ([0-9]{5}) ([nf])(?: \r| \n|\r\n)")
_TRAILER: Final = re.compile(rb"trailer(?=[\x00\t\n\f\r <])")
_ESCAPES: Final = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}
_PIECE: Final = re.compile(rb"[^\\()]+|[()]|\\(?:[0-7]{1,3}|\r\n|[\x00-\xff])")


@dataclass(slots=True)
class Allowance:
    """How much more of a file is read: one that refers to the same again and again is given up."""

    left: int = MOST_VALUES

    def spend(self) -> None:
        self.left -= 1
        require(self.left >= 0, "the file's structure is larger than that of any certificate")


class Values:
    """Reads values out of the file, one after the other."""

    def __init__(self, data: bytes, at: int, allowance: Allowance) -> None:
        self.data, self.at, self.allowance = data, at, allowance

    def take(self, pattern: re.Pattern[bytes]) -> re.Match[bytes] | None:
        self.allowance.spend()
        found = pattern.match(self.data, self.at)
        if found:
            self.at = found.end()
        return found

    def value(self, depth: int = 0) -> Any:
        require(depth <= DEEPEST, "the file's structure is nested too deeply")
        self.take(_SPACE)
        if self.data.startswith(b"<<", self.at):
            return self._dictionary(depth)
        if self.data.startswith(b"[", self.at):
            return self._array(depth)
        return self._plain()

    def _plain(self) -> Any:
        start = self.at
        if found := self.take(_REFERENCE):
            return Reference(int(found[1]), int(found[2]))
        if found := self.take(_NUMBER):
            return int(found[0]) if found[0].lstrip(b"+-").isdigit() else float(found[0])
        if found := self.take(_NAME):
            return Name(found[1].decode("latin-1"))
        if found := self.take(_HEX):
            return Text(_from_hex(found[1]), start, self.at)
        if found := self.take(_WORD):
            return _WORDS[found[0]]
        require(self.data.startswith(b"(", start), f"there is no PDF value at byte {start}")
        return Text(self._literal(), start, self.at)

    def _literal(self) -> bytes:
        parts: list[bytes] = []
        open_ones = 0
        while found := self.take(_PIECE):
            piece = found[0]
            open_ones += {b"(": 1, b")": -1}.get(piece, 0)
            if open_ones == 0:
                return b"".join(parts[1:])
            parts.append(_unescaped(piece) if piece[:1] == b"\\" else piece)
        raise Wrong("a string in the file has no end")

    def _array(self, depth: int) -> list[Any]:
        self.at += 1
        values = []
        while not self._ends(b"]"):
            values.append(self.value(depth + 1))
        return values

    def _dictionary(self, depth: int) -> dict[str, Any]:
        self.at += 2
        values: dict[str, Any] = {}
        while not self._ends(b">>"):
            found = self.take(_NAME)
            require(found is not None, f"a dictionary is damaged at byte {self.at}")
            assert found is not None
            key = found[1].decode("latin-1")
            require(key not in values, f"a dictionary names /{_shown(key)} twice")
            values[key] = self.value(depth + 1)
        return values

    def _ends(self, mark: bytes) -> bool:
        self.take(_SPACE)
        if not self.data.startswith(mark, self.at):
            return False
        self.at += len(mark)
        return True


def _from_hex(digits: bytes) -> bytes:
    digits = digits.translate(None, b"\x00\t\n\f\r ")
    return binascii.unhexlify(digits + b"0" * (len(digits) % 2))


def _unescaped(piece: bytes) -> bytes:
    rest = piece[1:]
    if rest[:1].isdigit() and rest[:1] < b"8":
        return bytes([int(rest, 8) & 0xFF])
    return b"" if rest in (b"\n", b"\r", b"\r\n") else _ESCAPES.get(rest, rest)


class Pdf:
    """The file's objects, found by its cross-reference tables from the newest back."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.allowance = Allowance()
        self.places: dict[int, tuple[int, int]] = {}
        self.root: Any = None
        self._read_tables()

    def _read_tables(self) -> None:
        starts = self.data.rfind(b"startxref")
        end = _END.fullmatch(self.data, starts) if starts >= 0 else None
        require(end is not None, "the file does not end as it should: it was cut off, or something was appended")
        assert end is not None
        at: Any = int(end[1])
        for _revision in range(MOST_REVISIONS):
            trailer = self._read_table(at)
            self.root = self.root or trailer.get("Root")
            before = trailer.get("Prev")
            if before is None:
                return
            require(type(before) is int and 0 < before < at, "its cross-reference tables do not lead backwards")
            at = before
        raise Wrong("it has too many revisions")

    def _read_table(self, at: int) -> dict[str, Any]:
        values = Values(self.data, at, self.allowance)
        require(values.take(_TABLE) is not None, f"there is no cross-reference table at byte {at}")
        while section := values.take(_SECTION):
            for number in range(int(section[1]), int(section[1]) + int(section[2])):
                entry = values.take(_ENTRY)
                require(entry is not None, "a cross-reference table is damaged")
                assert entry is not None
                in_use = (int(entry[1]), int(entry[2])) if entry[3] == b"n" else (-1, 0)
                self.places.setdefault(number, in_use)
        require(values.take(_TRAILER) is not None, "a cross-reference table has no trailer")
        trailer = values.value()
        require(isinstance(trailer, dict), "a trailer is no dictionary")
        require(not {"Encrypt", "XRefStm"} & trailer.keys(), "it is encrypted, or written in another form")
        return dict(trailer)

    def resolved(self, value: Any) -> Any:
        """The value itself, or of the object that it refers to."""
        if not isinstance(value, Reference):
            return value
        at, generation = self.places.get(value.number, (-1, 0))
        require(0 <= at < len(self.data) and generation == value.generation, f"object {value.number} is missing")
        values = Values(self.data, at, self.allowance)
        head = values.take(_OBJECT)
        is_it = head is not None and (int(head[1]), int(head[2])) == (value.number, value.generation)
        require(is_it, f"object {value.number} is not where the cross-reference table says")
        content = values.value()
        values.take(_SPACE)
        if isinstance(content, dict) and values.take(_STREAM):
            return Stream(content, values.at)
        return content

    def signatures(self) -> list[Reference]:
        """Whatever object is a signature, whether a form names it or not."""
        in_use = [Reference(number, place[1]) for number, place in sorted(self.places.items()) if place[0] >= 0]
        contents = [(each, self.resolved(each)) for each in in_use]
        return [each for each, content in contents if isinstance(content, dict) and "ByteRange" in content]

    def within(self, value: Any, *path: str) -> Any:
        """Follow names of dictionaries, and the references between."""
        for name in path:
            value = self.resolved(value)
            value = value.about if isinstance(value, Stream) else value
            require(isinstance(value, dict) and name in value, f"the file has no /{name} where it should")
            value = value[name]
        return self.resolved(value)

    def content(self, value: Any) -> bytes:
        """Of a stream, unpacked."""
        stream = self.resolved(value)
        require(isinstance(stream, Stream), "an attachment has no content")
        length = self.within(stream, "Length")
        in_file = type(length) is int and 0 <= length <= len(self.data) - stream.start
        require(in_file, "an attachment is cut off")
        end = stream.start + length
        require(_END_OF_STREAM.match(self.data, end) is not None, "an attachment is not as long as it says")
        packed = self.data[stream.start : end]
        way = self.resolved(stream.about.get("Filter"))
        require(way in (None, "FlateDecode") and "DecodeParms" not in stream.about, "an attachment is packed otherwise")
        content = packed if way is None else _inflated(packed)
        require(len(content) <= LARGEST_RECORD, "the attached record is too large")
        return content


def _inflated(packed: bytes) -> bytes:
    inflater = zlib.decompressobj()
    try:
        content = inflater.decompress(packed, LARGEST_RECORD + 1)
    except zlib.error:
        raise Wrong("the attached record cannot be unpacked") from None
    require(len(content) <= LARGEST_RECORD, "the attached record is too large")
    require(
        inflater.eof and not inflater.unused_data, "the attached record is packed with something missing or left over"
    )
    return content


# --- CMS (RFC 5652) in DER (X.690): the signature within the PDF ----------------------------------------------------

SIGNED_DATA: Final = bytes.fromhex("2a864886f70d010702")
DATA: Final = bytes.fromhex("2a864886f70d010701")
CONTENT_TYPE: Final = bytes.fromhex("2a864886f70d010903")
MESSAGE_DIGEST: Final = bytes.fromhex("2a864886f70d010904")
DIGESTS: Final[dict[bytes, type[hashes.SHA256 | hashes.SHA384 | hashes.SHA512]]] = {
    bytes.fromhex("608648016503040201"): hashes.SHA256,
    bytes.fromhex("608648016503040202"): hashes.SHA384,
    bytes.fromhex("608648016503040203"): hashes.SHA512,
}
RSA: Final = {bytes.fromhex(f"2a864886f70d0101{last}") for last in ("01", "0b", "0c", "0d")}
ECDSA: Final = {bytes.fromhex(f"2a8648ce3d0403{last}") for last in ("02", "03", "04")}
ED25519: Final = {bytes.fromhex("2b6570")}
INTEGER, OCTETS, OID, SEQUENCE, SET, FIRST = 0x02, 0x04, 0x06, 0x30, 0x31, 0xA0
DAMAGED: Final = "the signature's own data are damaged"


@dataclass(frozen=True, slots=True)
class Der:
    tag: int
    raw: bytes
    body: bytes

    def parts(self) -> list[Der]:
        parts, rest = [], self.body
        while rest:
            part = _der(rest)
            parts.append(part)
            rest = rest[len(part.raw) :]
        return parts

    def of(self, tag: int) -> Der:
        require(self.tag == tag, DAMAGED)
        return self


def _der(data: bytes) -> Der:
    """The first value; definite lengths in their shortest form only."""
    require(len(data) >= 2 and data[0] & 0x1F != 0x1F, DAMAGED)
    length, start = data[1], 2
    if length & 0x80:
        start += length & 0x7F
        length = int.from_bytes(data[2:start], "big")
        require(2 < start <= 6 and start <= len(data) and data[2] > 0 and length >= 0x80, DAMAGED)
    require(start + length <= len(data), DAMAGED)
    return Der(data[0], data[: start + length], data[start : start + length])


@dataclass(frozen=True, slots=True)
class Signature:
    """What the signer signed and by what; `certificate` is in DER, `public_key` its SubjectPublicKeyInfo."""

    digest: type[hashes.SHA256 | hashes.SHA384 | hashes.SHA512]
    message_digest: bytes
    attributes: bytes
    algorithm: bytes
    value: bytes
    certificate: bytes
    public_key: bytes

    @classmethod
    def read(cls, data: bytes) -> Signature:
        outer = _der(data)
        require(not data[len(outer.raw) :].strip(b"\x00"), "something stands behind the signature in its place")
        kind, content = _exactly(outer.of(SEQUENCE), OID, FIRST)
        require(kind.body == SIGNED_DATA, DAMAGED)
        (signed,) = _exactly(content, SEQUENCE)
        _version, _digests, about, certificates, signers = _exactly(signed, INTEGER, SET, SEQUENCE, FIRST, SET)
        require([each.body for each in about.parts()] == [DATA], "the signature is not of the file around it")
        (signer,) = _exactly(signers, SEQUENCE)
        parts = _exactly(signer, INTEGER, SEQUENCE, SEQUENCE, FIRST, SEQUENCE, OCTETS)
        _version, who, digest, attributes, algorithm, value = parts
        certificate, public_key = _certificate_of(who.body, certificates.parts())
        attested = _attributes(attributes)
        require(attested.get(CONTENT_TYPE, (0, b""))[1] == DATA, DAMAGED)
        require(attested.get(MESSAGE_DIGEST, (0, b""))[0] == OCTETS, DAMAGED)
        method = DIGESTS.get(_named(digest))
        require(method is not None, "the signature uses a digest that is none of SHA-256, SHA-384 and SHA-512")
        assert method is not None
        retagged = bytes([SET]) + attributes.raw[1:]
        digested = attested[MESSAGE_DIGEST][1]
        return cls(method, digested, retagged, _named(algorithm), value.body, certificate, public_key)

    def holds(self) -> bool:
        try:
            key = load_der_public_key(self.public_key)
            if isinstance(key, rsa.RSAPublicKey) and self.algorithm in RSA:
                key.verify(self.value, self.attributes, padding.PKCS1v15(), self.digest())
            elif isinstance(key, ec.EllipticCurvePublicKey) and self.algorithm in ECDSA:
                key.verify(self.value, self.attributes, ec.ECDSA(self.digest()))
            elif isinstance(key, ed25519.Ed25519PublicKey) and self.algorithm in ED25519:
                key.verify(self.value, self.attributes)
            else:
                return False
        except (InvalidSignature, UnsupportedAlgorithm, ValueError, TypeError):
            return False
        return True


def _exactly(value: Der, *tags: int) -> list[Der]:
    parts = value.parts()
    require([each.tag for each in parts] == list(tags), DAMAGED)
    return parts


def _named(algorithm: Der) -> bytes:
    parts = algorithm.parts()
    require(bool(parts), DAMAGED)
    return parts[0].of(OID).body


def _attributes(attributes: Der) -> dict[bytes, tuple[int, bytes]]:
    """Tag and content of each attribute's first value."""
    found: dict[bytes, tuple[int, bytes]] = {}
    for each in attributes.parts():
        kind, values = _exactly(each.of(SEQUENCE), OID, SET)
        parts = values.parts()
        require(len(parts) == 1 and kind.body not in found, DAMAGED)
        found[kind.body] = (parts[0].tag, parts[0].body)
    return found


def _certificate_of(issuer_and_serial: bytes, certificates: list[Der]) -> tuple[bytes, bytes]:
    """The X.509 certificate that a signer names, and its public key."""
    for each in certificates:
        about = each.of(SEQUENCE).parts()[:1]
        parts = about[0].of(SEQUENCE).parts() if about else []
        parts = parts[1:] if parts and parts[0].tag == FIRST else parts
        require(len(parts) >= 6, DAMAGED)
        serial, _algorithm, issuer, _validity, _subject, public_key = parts[:6]
        if issuer.raw + serial.raw == issuer_and_serial:
            return each.raw, public_key.raw
    raise Wrong("the certificate of whoever signed is not in the file")


# --- Canonical JSON (RFC 8785) --------------------------------------------------------------------------------------


def canonical(value: Any, depth: int = 0) -> str:
    require(depth <= DEEPEST, "the attached record is nested too deeply")
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, int | float):
        return _number(value)
    if isinstance(value, list):
        return f"[{','.join(canonical(each, depth + 1) for each in value)}]"
    names = sorted(value, key=lambda name: name.encode("utf-16-be", "surrogatepass"))
    return f"{{{','.join(f'{canonical(name)}:{canonical(value[name], depth + 1)}' for name in names)}}}"


def _number(value: float) -> str:
    """As ECMAScript writes it: the shortest digits that give the number back."""
    if isinstance(value, int) and abs(value) <= LARGEST_EXACT:
        return str(value)
    try:
        exact = Decimal(repr(float(value)))
    except OverflowError:
        raise Wrong("a number in the attached record is too large") from None
    require(exact.is_finite(), "a number in the attached record is too large")
    sign, digits, exponent = exact.normalize().as_tuple()
    assert isinstance(exponent, int)
    text, point = "".join(map(str, digits)), len(digits) + exponent
    if exact == 0:
        return "0"
    return ("-" if sign else "") + _placed(text, point)


def _placed(digits: str, point: int) -> str:
    if len(digits) <= point <= 21:
        return digits.ljust(point, "0")
    if 0 < point <= 21:
        return f"{digits[:point]}.{digits[point:]}"
    if -6 < point <= 0:
        return f"0.{'0' * -point}{digits}"
    mantissa = digits[0] + (f".{digits[1:]}" if digits[1:] else "")
    return f"{mantissa}e{point - 1:+d}"


def encoded(value: Any) -> bytes:
    try:
        return canonical(value).encode()
    except UnicodeEncodeError:
        raise Wrong("the attached record holds text that is none") from None


def _record(content: bytes) -> Any:
    def no_constant(name: str) -> Any:
        raise Wrong(f"the attached record holds {name}, which is no number")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        require(len({name for name, _value in pairs}) == len(pairs), "the attached record names a member twice")
        return dict(pairs)

    try:
        return json.loads(content.decode(), object_pairs_hook=once, parse_constant=no_constant)
    except (ValueError, RecursionError):
        raise Wrong("the attached record is no JSON") from None


# --- Signed heads (C2SP tlog-checkpoint, signed-note) and proofs (RFC 9162, 2.1.3.2) --------------------------------

_HASH: Final = re.compile(r"[0-9a-f]{64}", re.ASCII)
_SIZE: Final = re.compile(r"0|[1-9][0-9]{0,18}", re.ASCII)
_NOTE: Final = re.compile(r"((?:[^\n]+\n){3,20})\n((?:[^\n]+\n){1,20})")
ORIGIN: Final = "levelbook/workshops/"


@dataclass(frozen=True, slots=True)
class Head:
    text: str
    origin: str
    size: int
    root: bytes
    signatures: list[str]

    @classmethod
    def read(cls, note: str) -> Head:
        found = _NOTE.fullmatch(note)
        require(found is not None, "the head of the tree has not the form of a signed head")
        assert found is not None
        origin, size, root = found[1].split("\n")[:3]
        require(_SIZE.fullmatch(size) is not None, "the size of the tree is no whole number")
        return cls(found[1], origin, int(size), _from_base64(root, "the tree's root"), found[2].splitlines())


@dataclass(frozen=True, slots=True)
class VerifierKey:
    """An Ed25519 public key in the form `name+hash+base64`, or without name where only the base64 is known."""

    name: str | None
    raw: bytes

    @classmethod
    def read(cls, written: str) -> VerifierKey:
        """Raises `Wrong`. Base64 has `+` as well: a name without spaces and eight digits stand before a whole key."""
        whole = re.fullmatch(r"([^\s+]+)\+([0-9a-f]{8})\+(\S+)", written.strip())
        data = _from_base64(whole[3] if whole else written.strip(), "the verifier key")
        require(len(data) == 33 and data[0] == 1, "the verifier key is no Ed25519 key")
        key = cls(whole[1] if whole else None, data[1:])
        require(not whole or key.hash_for(whole[1]).hex() == whole[2], "the verifier key is cut or mistyped")
        return key

    def hash_for(self, name: str) -> bytes:
        return hashlib.sha256(name.encode() + b"\n\x01" + self.raw).digest()[:4]

    def signed(self, head: Head) -> bool:
        public = ed25519.Ed25519PublicKey.from_public_bytes(self.raw)
        for line in head.signatures:
            dash, _, rest = line.partition(" ")
            name, _, written = rest.partition(" ")
            data = _from_base64(written, "a signature of the head")
            if (dash, name, data[:4]) == ("—", head.origin, self.hash_for(head.origin)):
                try:
                    public.verify(data[4:], head.text.encode())
                except InvalidSignature:
                    return False
                return True
        return False


def _from_base64(text: str, what: str) -> bytes:
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise Wrong(f"{what} is no base64") from None
    require(base64.b64encode(data).decode() == text, f"{what} is not written in the one form that it has")
    return data


def root_from(leaf_hash: bytes, index: int, size: int, path: Sequence[bytes]) -> bytes | None:
    """The root to which a path leads from a leaf; None where the path is not as long as it must be."""
    if not 0 <= index < size:
        return None
    node, last, here = leaf_hash, size - 1, index
    for sibling in path:
        if last == 0:
            return None
        if here & 1 or here == last:
            node = hashlib.sha256(b"\x01" + sibling + node).digest()
            while not here & 1 and here:
                here, last = here >> 1, last >> 1
        else:
            node = hashlib.sha256(b"\x01" + node + sibling).digest()
        here, last = here >> 1, last >> 1
    return node if last == 0 else None


# --- The file, and what is checked of it ----------------------------------------------------------------------------


@dataclass
class CertificateFile:
    """A file, taken apart as far as a check asks for it. What cannot be had raises `Wrong`."""

    data: bytes
    keys: Sequence[str] = ()

    @cached_property
    def pdf(self) -> Pdf:
        require(self.data.startswith(b"%PDF-1."), "the file does not begin as a PDF file does")
        return Pdf(self.data)

    @cached_property
    def fields(self) -> list[Any]:
        fields = self.pdf.within(self.pdf.root, "AcroForm", "Fields")
        require(isinstance(fields, list) and bool(fields), "the file is not signed")
        return list(fields)

    @cached_property
    def signed_range(self) -> tuple[list[int], Text]:
        """The bytes that the newest signature covers, and its placeholder."""
        about = self.pdf.within(self.fields[-1], "V")
        covered, place = self.pdf.within(about, "ByteRange"), self.pdf.within(about, "Contents")
        are_numbers = isinstance(covered, list) and all(type(each) is int for each in covered)
        require(are_numbers and len(covered) == 4 and isinstance(place, Text), "the signature is damaged")
        require(min(covered) >= 0 and max(covered) <= len(self.data), "the signature covers bytes that are not there")
        return covered, place

    @cached_property
    def signature(self) -> Signature:
        place = self.signed_range[1]
        require(len(place.value) <= LARGEST_SIGNATURE, "the signature is too large")
        return Signature.read(place.value)

    @cached_property
    def attachments(self) -> list[Any]:
        names = self.pdf.within(self.pdf.root, "Names", "EmbeddedFiles", "Names")
        require(isinstance(names, list), "the list of attachments is damaged")
        return list(names)

    @cached_property
    def attached(self) -> bytes:
        for name, described in zip(self.attachments[::2], self.attachments[1::2], strict=False):
            if isinstance(name, Text) and name.value == ATTACHMENT:
                return self.pdf.content(self.pdf.within(described, "EF", "F"))
        raise Wrong(f"the file has no attachment {ATTACHMENT.decode()}")

    @cached_property
    def record(self) -> dict[str, Any]:
        record = _record(self.attached)
        require(isinstance(record, dict), "the attached record is no object")
        return dict(record)

    def member(self, name: str, kind: type[Any]) -> Any:
        value = self.record.get(name)
        require(isinstance(value, kind), f"the attached record has no “{name}” of the right form")
        return value

    def said(self, name: str) -> Any:
        """What the ledger entry says under a name, among its facts."""
        payload = self.member("entry", dict).get("payload")
        facts = payload.get("facts") if isinstance(payload, dict) else None
        if not isinstance(facts, dict) or name not in facts:
            raise Wrong(f"the ledger entry says nothing of “{name}”")
        return facts[name]

    @cached_property
    def head(self) -> Head:
        return Head.read(self.member("checkpoint", str))

    @cached_property
    def verifier_key(self) -> VerifierKey:
        key = VerifierKey.read(self.member("verifier_key", str))
        require(key.name is not None, "the verifier key in the file has no name")
        return key


def one_signature(file: CertificateFile) -> str:
    signatures, shown = file.pdf.signatures(), file.pdf.within(file.fields[0])
    require(bool(signatures), "the file is not signed")
    most = max(len(signatures), len(file.fields))
    require(most == 1, f"the file has {most} signatures; a certificate has one")
    require(isinstance(shown, dict) and shown.get("V") == signatures[0], "the file hides its signature")
    return "The file has exactly one signature."


def whole_file_signed(file: CertificateFile) -> str:
    covered, place = file.signed_range
    size = len(file.data)
    behind = size - sum(covered[2:])
    require(behind == 0, f"{behind} bytes at the end of the file are not covered by the signature: they were added")
    expected = [0, place.start, place.end, size - place.end]
    require(covered == expected, "the signature leaves out more of the file than its own place")
    own = file.data[place.start : place.end]
    require(re.fullmatch(rb"<[0-9A-Fa-f]+>", own) is not None, "the signature's place holds something else than it")
    return "The signature covers every byte of the file but its own place."


def content_unchanged(file: CertificateFile) -> str:
    (start, length, other_start, other_length), _place = file.signed_range
    digest = hashes.Hash(file.signature.digest())
    digest.update(file.data[start : start + length])
    digest.update(file.data[other_start : other_start + other_length])
    require(digest.finalize() == file.signature.message_digest, "the file was changed after it was signed")
    return "The file is as it was when it was signed."


def signature_valid(file: CertificateFile) -> str:
    require(file.signature.holds(), "the signature was not made with the key of the certificate that it names")
    return "The signature was made with the key of the signing certificate."


def signing_certificate_named(file: CertificateFile) -> str:
    sha256 = hashlib.sha256(file.signature.certificate).hexdigest()
    named = file.said("signing_certificate_sha256")
    require(named == sha256, "the file was signed with another certificate than the ledger entry names")
    return f"The signing certificate is the one that the ledger entry names (SHA-256 {sha256})."


def one_attachment(file: CertificateFile) -> str:
    associated = file.pdf.within(file.pdf.root, "AF")
    require(len(file.attachments) == 2, "the file has more attachments than its record")
    require(associated == [file.attachments[1]], "the attached record is not the one that belongs to the file")
    return f"The file has exactly one attachment, its record ({ATTACHMENT.decode()})."


def record_in_form(file: CertificateFile) -> str:
    require(file.member("format", str) == FORMAT, f"the attached record is not of the form {FORMAT}")
    require(file.record.keys() == MEMBERS, "the attached record has other members than it should")
    require(encoded(file.record) == file.attached, "the attached record is not written in its one form (RFC 8785)")
    return f"The record has the form {FORMAT}, written as RFC 8785 says."


def document_recorded(file: CertificateFile) -> str:
    sha256 = hashlib.sha256(encoded(file.member("document", dict))).hexdigest()
    entry = file.member("entry", dict)
    require((entry.get("kind"), entry.get("record_type")) == RECORDED_AS, "the ledger entry is not of a certificate")
    require(file.said("snapshot_sha256") == sha256, "the document is not the one that the ledger entry was made of")
    return f"The document is the one that the ledger entry was made of (SHA-256 {sha256})."


def renderer_recorded(file: CertificateFile) -> str:
    named, version = file.said("renderer_version"), file.member("renderer_version", str)
    require(named == version, "the ledger entry names another version of the page layout")
    return f"The pages' layout has the version that the ledger entry names ({version})."


def entry_unchanged(file: CertificateFile) -> str:
    content = dict(file.member("entry", dict))
    named = content.pop("hash", None)
    sha256 = hashlib.sha256(encoded(content)).hexdigest()
    require(named == sha256, "the ledger entry has another hash than the one that it carries")
    return f"The ledger entry has the hash that it carries ({sha256})."


def entry_in_tree(file: CertificateFile) -> str:
    inclusion, entry_hash = file.member("inclusion", dict), file.member("entry", dict).get("hash")
    index, path = inclusion.get("leaf_index"), inclusion.get("path")
    are_hashes = isinstance(path, list) and all(isinstance(h, str) and _HASH.fullmatch(h) for h in [entry_hash, *path])
    is_proof = inclusion.keys() == {"leaf_index", "path"} and type(index) is int and are_hashes
    require(is_proof and len(path) <= LONGEST_PATH, "the proof has not the form of a proof")
    leaf = hashlib.sha256(b"\x00" + bytes.fromhex(entry_hash)).digest()
    root = root_from(leaf, index, file.head.size, [bytes.fromhex(each) for each in path])
    require(root == file.head.root, "the ledger entry is not in the tree with this head")
    return f"The ledger entry is leaf {index} of the workshop's tree of {file.head.size} entries (RFC 9162)."


def head_of_workshop(file: CertificateFile) -> str:
    workshop = file.member("entry", dict).get("workshop_id")
    require(file.head.origin == f"{ORIGIN}{workshop}", "the head is of another workshop's tree")
    return "The head is of the tree of the workshop that made the entry."


def head_signed(file: CertificateFile) -> str:
    key = file.verifier_key
    require(key.name == file.head.origin, "the verifier key in the file is another tree's")
    require(key.signed(file.head), "the head of the tree was not signed with the verifier key in the file")
    return "The head of the tree was signed with the verifier key in the file."


def key_known(file: CertificateFile) -> str:
    known = [VerifierKey.read(each) for each in file.keys]
    key = file.verifier_key
    is_known = any(each.raw == key.raw and each.name in (None, key.name) for each in known)
    require(
        is_known,
        "the verifier key in the file is not the one to compare with: another service made this file, or this one with "
        "a key that it had before (its /verify/ shows those that its setting FORMER_CHECKPOINT_KEYS names)",
    )
    return "The verifier key in the file is the one to compare with."


Check = Callable[[CertificateFile], str]
CHECKS: Final[tuple[Check, ...]] = (
    one_signature,
    whole_file_signed,
    content_unchanged,
    signature_valid,
    signing_certificate_named,
    one_attachment,
    record_in_form,
    document_recorded,
    renderer_recorded,
    entry_unchanged,
    entry_in_tree,
    head_of_workshop,
    head_signed,
    key_known,
)
"""In the order in which they are told. `key_known` is asked only where there is a key to compare with."""


@dataclass(frozen=True, slots=True)
class Result:
    """Of one check: its name, whether it holds, and what that says in a sentence."""

    name: str
    holds: bool
    said: str


@dataclass(frozen=True)
class Report:
    sha256: str
    results: list[Result]
    document: dict[str, Any] = field(default_factory=dict)
    verifier_key: str = ""

    @property
    def holds(self) -> bool:
        return all(each.holds for each in self.results)


def check(data: bytes, keys: Sequence[str] = ()) -> Report:
    """Check a file's bytes; `keys` are the verifier keys that are known. Raises `Unreadable`."""
    require_readable(data)
    file = CertificateFile(data, keys)
    results = [_result(each, file) for each in CHECKS if keys or each is not key_known]
    try:
        document = guarded(lambda: file.member("document", dict))
        key = guarded(lambda: file.member("verifier_key", str))
    except Wrong:
        document, key = {}, ""
    return Report(hashlib.sha256(data).hexdigest(), results, document, key)


def require_readable(data: bytes) -> None:
    if not data:
        raise Unreadable("the file is empty")
    if len(data) > LARGEST_FILE:
        raise Unreadable(f"the file is larger than {LARGEST_FILE} bytes; no certificate is")
    if b"/ByteRange" in data:
        return  # it was signed once, so whatever else is wrong was made so
    try:
        guarded(lambda: CertificateFile(data).pdf)
    except Wrong as wrong:
        raise Unreadable(f"it is no PDF file that can be read: {wrong}") from None


def guarded(step: Callable[[], Any]) -> Any:
    """Whatever a damaged file leads to that nobody thought of does not hold, and says that it was not thought of."""
    try:
        return step()
    except (
        ArithmeticError,
        AssertionError,
        AttributeError,
        LookupError,
        RecursionError,
        TypeError,
        ValueError,
    ) as error:
        raise Wrong(f"{UNFORESEEN} ({type(error).__name__})") from error


def _result(each: Check, file: CertificateFile) -> Result:
    try:
        return Result(each.__name__, holds=True, said=guarded(lambda: each(file)))
    except Wrong as wrong:
        return Result(each.__name__, holds=False, said=f"{str(wrong)[:1].upper()}{str(wrong)[1:]}.")


# --- On the command line --------------------------------------------------------------------------------------------


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(
        description="Check a certificate file by itself.",
        epilog="Ends with 0 where everything holds, 1 where anything does not, 2 where the file cannot be read.",
    )
    parser.add_argument("file", metavar="FILE.pdf", type=Path)
    parser.add_argument(
        "--key",
        action="append",
        default=[],
        metavar="VERIFIER_KEY",
        help="the service's public key as you know it, name+hash+base64 or the base64 alone; can be given again",
    )
    options = parser.parse_args(arguments)
    try:
        for each in options.key:
            VerifierKey.read(each)
        report = check(_content(options.file), options.key)
    except Wrong as wrong:
        parser.error(f"--key: {wrong}")
    except Unreadable as unreadable:
        _say(f"Cannot be checked: {unreadable}.")
        return 2
    for each in report.results:
        _say(f"{'holds         ' if each.holds else 'DOES NOT HOLD '} {each.said}")
    _say(_conclusion(report, is_compared=bool(options.key)))
    return 0 if report.holds else 1


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise Unreadable(getattr(error, "strerror", None) or "there is no such file") from None


def _conclusion(report: Report, *, is_compared: bool) -> str:
    sha256 = f"SHA-256 of the file: {report.sha256}"
    if not report.holds:
        wrong = sum(not each.holds for each in report.results)
        return f"\n{wrong} of {len(report.results)} checks do not hold. Do not rely on this file.\n{sha256}"
    where = report.document.get("verification_url")
    compare = (
        "It was compared with the key that you gave."
        if is_compared
        else "Nothing above says WHO made this file until that key is compared with the one that the service shows on\n"
        "its page /verify/, or that you kept from before: give that one with --key."
    )
    return (
        f"\nEverything holds. {sha256}\nThis rests on the verifier key\n  {_shown(report.verifier_key)}\n{compare}\n"
        "Whether the certificate has been replaced since, only the service can say:\n"
        f"  {_shown(where) if isinstance(where, str) else 'ask it by the code on the paper'}"
    )


def _shown(text: str) -> str:
    """Nothing that a terminal would act on."""
    return "".join(each if each.isprintable() else "?" for each in text[:400])


def _say(text: str) -> None:
    sys.stdout.write(
        text.encode(sys.stdout.encoding or "ascii", "replace").decode(sys.stdout.encoding or "ascii") + "\n"
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
