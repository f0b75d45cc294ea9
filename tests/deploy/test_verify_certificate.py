"""The script that checks a certificate's file by itself: what it accepts, what it says, and that nothing breaks it."""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import json
import random
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from deploy import verify_certificate as script
from fleet import merkle
from fleet.canonical import canonical
from reports.selectors.certificate_files import LARGEST_FILE
from tests.campaigns.certificates import byte_kinds, kinds, making
from tests.campaigns.certificates.campaign import SCRIPT, by_script, is_unforeseen
from tests.campaigns.certificates.miniature import insider, issued, record

KEYS = insider()
ORIGINAL = issued(1, KEYS)


def run(*arguments: str, interpreter: tuple[str, ...] = ("-I",)) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *interpreter, str(SCRIPT), *arguments], capture_output=True, text=True, check=False
    )


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "certificate.pdf"
    path.write_bytes(ORIGINAL.pdf)
    return path


def failed(pdf: bytes, keys: tuple[str, ...] = ()) -> set[str]:
    """The names of the checks that do not hold."""
    return {each.name for each in script.check(pdf, keys).results if not each.holds}


class TestCommand:
    def test_ends_with_0_where_everything_holds_and_says_what_it_rests_on(self, file: Path) -> None:
        done = run(str(file))
        assert (done.returncode, done.stderr) == (0, "")
        assert "DOES NOT HOLD" not in done.stdout
        assert done.stdout.count("\nholds ") == len(script.CHECKS) - 2  # the first line, and no key was given
        assert record(1, KEYS)["verifier_key"] in done.stdout
        assert "/verify/" in done.stdout
        assert "http://127.0.0.1:8000/verify/7KQM3XTD9WPA4GHZ" in done.stdout

    @pytest.mark.parametrize("form", ["whole", "base64"])
    def test_takes_the_key_that_one_knows(self, file: Path, form: str) -> None:
        key = record(1, KEYS)["verifier_key"] if form == "whole" else KEYS.verifier_key
        done = run(str(file), "--key", key)
        assert done.returncode == 0
        assert "compared with the key that you gave" in done.stdout

    def test_ends_with_1_where_another_key_was_expected(self, file: Path) -> None:
        done = run(str(file), "--key", insider().verifier_key)
        assert done.returncode == 1
        assert "another service made this file" in done.stdout
        assert "FORMER_CHECKPOINT_KEYS" in done.stdout, "or this one when it had another key"

    def test_a_mistyped_key_is_said_to_be_one(self, file: Path) -> None:
        done = run(str(file), "--key", record(1, KEYS)["verifier_key"][:-4])
        assert done.returncode == 2
        assert "--key" in done.stderr
        assert "Traceback" not in done.stderr

    def test_ends_with_1_and_names_what_does_not_hold(self, file: Path) -> None:
        altered = byte_kinds.byte_of_page_changed(ORIGINAL, random.Random(1))  # noqa: S311
        assert altered is not None
        file.write_bytes(altered.pdf)
        done = run(str(file))
        assert done.returncode == 1
        assert "DOES NOT HOLD  The file was changed after it was signed." in done.stdout
        assert "Do not rely on this file" in done.stdout

    @pytest.mark.parametrize(
        "content", [b"", b"no PDF", b"%PDF-1.7\n" + bytes(50), b"x" * (LARGEST_FILE + 1), None], ids=range(5)
    )
    def test_ends_with_2_where_there_is_nothing_to_check(self, file: Path, content: bytes | None) -> None:
        file.unlink() if content is None else file.write_bytes(content)
        done = run(str(file))
        assert (done.returncode, done.stderr) == (2, "")
        assert done.stdout.startswith("Cannot be checked: ")

    def test_a_folder_cannot_be_read(self, tmp_path: Path) -> None:
        assert run(str(tmp_path)).returncode == 2

    def test_writes_nothing_that_a_terminal_would_act_on(self, file: Path) -> None:
        told = record(1, KEYS)
        told["document"]["verification_url"] = "http://x/\x1b[2J\u202eevil"
        facts = told["entry"]["payload"]["facts"]
        facts["snapshot_sha256"] = hashlib.sha256(canonical(told["document"])).hexdigest()
        file.write_bytes(remade(kinds._proved_for(kinds._hashed_anew(told), KEYS.heads) | {}, told))
        done = run(str(file))
        assert done.returncode == 0, done.stdout
        assert "\x1b" not in done.stdout
        assert "\u202e" not in done.stdout


def remade(proof: dict[str, Any], told: dict[str, Any]) -> bytes:
    whole = {**kinds._hashed_anew(told), **proof}
    return making.signed(making.with_record(ORIGINAL.pdf, canonical(whole)), KEYS.signer)


class TestStandingAlone:
    def test_imports_the_standard_library_and_cryptography_alone(self) -> None:
        tree = ast.parse(SCRIPT.read_text())
        names = {each.names[0].name for each in ast.walk(tree) if isinstance(each, ast.Import)}
        names |= {each.module or "" for each in ast.walk(tree) if isinstance(each, ast.ImportFrom)}
        assert {name.partition(".")[0] for name in names} - sys.stdlib_module_names == {"cryptography"}

    def test_runs_where_nothing_but_cryptography_can_be_imported(self, file: Path, tmp_path: Path) -> None:
        only = tmp_path / "only"
        only.mkdir()
        for name in ("cryptography", "cffi", "_cffi_backend"):
            found = importlib.util.find_spec(name)
            assert found is not None
            assert found.origin is not None
            place = Path(found.origin)
            place = place.parent if place.name == "__init__.py" else place
            (only / place.name).symlink_to(place)
        copy = tmp_path / "alone" / "verify_certificate.py"
        copy.parent.mkdir()
        copy.write_bytes(SCRIPT.read_bytes())
        starting = (
            f"import sys, runpy; sys.path[:] = [p for p in sys.path if 'site-packages' not in p] + [{str(only)!r}]; "
            f"sys.argv = ['verify', {str(file)!r}]; runpy.run_path({str(copy)!r}, run_name='__main__')"
        )
        done = subprocess.run(
            [sys.executable, "-I", "-S", "-c", starting], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stderr) == (0, "")

    def test_without_the_package_it_says_what_to_install(self, file: Path) -> None:
        done = run(str(file), interpreter=("-I", "-S"))
        assert (done.returncode, done.stderr) == (2, "")
        assert "pip install cryptography" in done.stdout


class TestWhatIsAccepted:
    @pytest.mark.parametrize(
        "key",
        [
            rsa.generate_private_key(65537, 2048),
            ec.generate_private_key(ec.SECP256R1()),
            ec.generate_private_key(ec.SECP384R1()),
            ed25519.Ed25519PrivateKey.generate(),
        ],
        ids=["rsa", "p256", "p384", "ed25519"],
    )
    @pytest.mark.parametrize("is_packed", [False, True])
    def test_files_signed_with_each_kind_of_key(self, key: making.PrivateKey, is_packed: bool) -> None:
        keys = insider(making.new_signer("A workshop", key))
        made = issued(4, keys, is_packed=is_packed)
        assert failed(made.pdf, (keys.verifier_key,)) == set()

    def test_no_word_in_a_record_looks_like_a_second_signature(self) -> None:
        told = record(1, KEYS)
        told["document"]["remark"] = "/ByteRange [0 1 2 3] stream endstream endobj startxref %%EOF"
        told["entry"]["payload"]["facts"]["snapshot_sha256"] = hashlib.sha256(canonical(told["document"])).hexdigest()
        told = kinds._hashed_anew(told)
        assert failed(remade(kinds._proved_for(told, KEYS.heads), told)) == set()


class TestWhatIsNot:
    """Files that are made to break a reader, signed with the service's own key where they must be."""

    @pytest.mark.parametrize("named", [{"kind": "vehicle_added"}, {"record_type": "fleet.vehicle"}])
    def test_an_entry_of_another_step(self, named: dict[str, str]) -> None:
        told = record(1, KEYS)
        told = kinds._hashed_anew({**told, "entry": {**told["entry"], **named}})
        assert failed(remade(kinds._proved_for(told, KEYS.heads), told)) == {"document_recorded"}

    def test_a_record_that_unpacks_to_megabytes(self) -> None:
        unsigned = making.with_record(ORIGINAL.pdf, bytes(30_000_000), is_packed=True)
        assert len(unsigned) < 100_000
        results = script.check(making.signed(unsigned, KEYS.signer)).results
        assert "The attached record is too large." in {each.said for each in results}

    @pytest.mark.parametrize("packed", [b"", b"x", zlib.compress(b"{}")[:-1], zlib.compress(b"{}") + b"x"])
    def test_a_record_that_is_not_packed_whole(self, packed: bytes) -> None:
        with pytest.raises(script.Wrong):
            script._inflated(packed)

    @pytest.mark.parametrize(
        "body",
        [
            b"[" * 100_000,
            b"<<" * 100_000,
            b"[" + b"0 " * 400_000 + b"]",
            b"(" * 400_000,
            b"<" + b"0" * 100_000,
            b"/" * 300_000,
            b"%" * 1_000_000,
        ],
        ids=["arrays", "dictionaries", "long", "brackets", "digits", "names", "remark"],
    )
    def test_a_structure_beyond_all_measure(self, body: bytes) -> None:
        head = b"%PDF-1.7\n"
        table = b"xref\n0 1\n0000000000 65535 f \ntrailer\n<< /Root " + body
        data = head + body + table + b"\nstartxref\n%d\n%%%%EOF\n" % (len(head) + len(body))
        with pytest.raises(script.Unreadable):
            script.check(data)

    def test_tables_that_lead_round_in_a_circle(self) -> None:
        table = b"xref\n0 1\n0000000000 65535 f \ntrailer\n<< /Root 1 0 R /Prev 9 >>"
        with pytest.raises(script.Unreadable, match="do not lead backwards"):
            script.check(b"%PDF-1.7\n" + table + b"\nstartxref\n9\n%%EOF\n")

    def test_objects_that_refer_to_one_another_without_end(self) -> None:
        looped = ORIGINAL.pdf.replace(b"/EmbeddedFiles 4 0 R", b"/EmbeddedFiles 1 0 R")
        assert not by_script(looped, ())

    def test_the_same_large_object_named_a_thousand_times(self) -> None:
        body = b"1 0 obj\n[" + b"0 " * 20_000 + b"]\nendobj\n"
        entries = b"".join(b"%010d 00000 n \n" % 9 for _ in range(2_000))
        data = b"%PDF-1.7\n" + body
        table = b"xref\n0 2000\n" + entries + b"trailer\n<< /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % len(data)
        report = script.check(data + table)
        assert not report.holds

    @pytest.mark.parametrize(
        "text",
        [
            '{"a":1,"a":1}',
            '{"a":NaN}',
            '{"a":1e999}',
            "[" * 5_000,
            '"\\ud800"',
            "9" * 5_000,
            "[]",
            "1" * 400 + ".5",
            "",
        ],
    )
    def test_records_that_are_no_canonical_json(self, text: str) -> None:
        unsigned = making.with_record(ORIGINAL.pdf, text.encode())
        assert "record_in_form" in failed(making.signed(unsigned, KEYS.signer))


class TestNothingBreaksIt:
    def test_every_single_byte_outside_the_placeholder_counts(self) -> None:
        start, end = byte_kinds.placeholder(ORIGINAL.pdf)
        missed = []
        for place in [*range(start), *range(end, len(ORIGINAL.pdf))]:
            changed = bytes([ORIGINAL.pdf[place] ^ 1 << place % 7])
            if by_script(ORIGINAL.pdf[:place] + changed + ORIGINAL.pdf[place + 1 :], ()):
                missed.append(place)
        assert missed == []

    def test_what_nobody_thought_of_does_not_hold(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(script.Signature, "holds", lambda _self: [][0])
        result = next(each for each in script.check(ORIGINAL.pdf).results if each.name == "signature_valid")
        assert (result.holds, is_unforeseen(result.said)) == (False, True)

    @given(st.binary(max_size=2_000), st.sampled_from([b"", b"%PDF-1.7\n", b"/ByteRange [0 1 2 3]"]))
    @examples(max_examples=200, deadline=None)
    def test_any_bytes(self, data: bytes, head: bytes) -> None:
        assert not by_script(head + data, ())

    @given(st.lists(st.tuples(st.integers(0, len(ORIGINAL.pdf) - 1), st.binary(max_size=6)), min_size=1, max_size=4))
    @examples(max_examples=300, deadline=None)
    def test_any_bytes_in_a_certificate(self, changes: list[tuple[int, bytes]]) -> None:
        data = ORIGINAL.pdf
        for place, by in changes:
            data = data[:place] + by + data[place + len(by) :]
        start, end = byte_kinds.placeholder(ORIGINAL.pdf)
        outside = [*ORIGINAL.pdf[:start], *ORIGINAL.pdf[end:]]
        if [*data[:start], *data[end:]] != outside:
            assert not by_script(data, (KEYS.verifier_key,))

    @given(st.binary(max_size=400), st.integers(0, 700), st.integers(0, 40))
    @examples(max_examples=300, deadline=None)
    def test_any_bytes_in_the_signature(self, by: bytes, at: int, cut: int) -> None:
        """Whatever stands in the placeholder is taken apart without a fault; a whole one is accepted at best."""
        start, _end = byte_kinds.placeholder(ORIGINAL.pdf)
        data = bytes.fromhex(ORIGINAL.pdf[start : start + 1600].decode())
        changed = (data[:at] + by + data[at + cut :])[: len(data)].ljust(len(data), b"\0")
        by_script(ORIGINAL.pdf[:start] + changed.hex().encode() + ORIGINAL.pdf[start + 1600 :], ())

    @given(
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
            lambda each: st.lists(each, max_size=4) | st.dictionaries(st.text(), each, max_size=4),
            max_leaves=20,
        ),
        st.sampled_from(sorted(record(1, KEYS))),
    )
    @examples(max_examples=200, deadline=None)
    def test_any_member_of_a_record(self, value: Any, name: str) -> None:
        told = {**record(1, KEYS), name: value}
        file = script.CertificateFile(b"")
        file.__dict__["attached"] = json.dumps(told).encode()
        said = [script._result(each, file).said for each in script.CHECKS]
        assert not any(map(is_unforeseen, said)), said


class TestParts:
    @given(
        st.recursive(
            st.none()
            | st.booleans()
            | st.integers(-(2**53) + 1, 2**53 - 1)
            | st.text()
            | st.floats(allow_nan=False, allow_infinity=False),
            lambda each: st.lists(each, max_size=4) | st.dictionaries(st.text(), each, max_size=4),
            max_leaves=20,
        )
    )
    @examples(max_examples=300, deadline=None)
    def test_canonical_json_is_that_of_the_library(self, value: Any) -> None:
        assert script.encoded(value) == rfc8785.dumps(value)

    def test_canonical_json_is_that_of_the_standards_examples(self) -> None:
        told = json.loads((Path(__file__).parents[1] / "reference" / "jcs_rfc8785.json").read_text())
        assert len(told["vectors"]) >= 5
        for each in told["vectors"]:
            assert script.encoded(json.loads(each["input"])).hex() == each["output_hex"], each["name"]

    @pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 13, 64])
    def test_paths_lead_to_the_root_from_their_own_leaf_alone(self, size: int) -> None:
        tree = merkle.GrowingTree()
        leaves = [merkle.leaf_hash(bytes([each])) for each in range(size)]
        completed = [tree.append(each) for each in leaves]

        def node(level: int, at: int) -> bytes:
            return completed[merkle.last_leaf((level, at))][level]

        for index in range(size):
            path = merkle.inclusion_path(index, size, node)
            assert script.root_from(leaves[index], index, size, path) == tree.root()
            others = [script.root_from(leaves[index], other, size, path) for other in range(size) if other != index]
            assert tree.root() not in others
            assert script.root_from(leaves[index], index, size, [*path, leaves[0]]) is None
            assert script.root_from(leaves[index], index, size, path[:-1]) != tree.root() or not path

    def test_the_service_takes_files_as_large_as_the_script(self) -> None:
        assert script.LARGEST_FILE == LARGEST_FILE
