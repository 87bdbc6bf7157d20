"""The file of the service's own signing keys (common practice for files of secrets, no source)."""

from __future__ import annotations

import os
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from service.access.jose import NotTrusted, check_signature, opened
from service.access.signing import KeyFileError, KeyRing, make_if_missing, rotate
from service.fhir.json_text import load

NOW = 1_800_000_000.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "keys.json"
    assert make_if_missing(path, NOW)
    return path


def test_it_is_made_once_and_for_its_owner_alone(path: Path) -> None:
    text = path.read_text()
    assert not make_if_missing(path, NOW)
    assert path.read_text() == text
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "made" in text and "Whoever can read this file can make tokens" in load(text)["about"]
    assert os.listdir(path.parent) == [path.name]


def test_two_processes_that_start_at_once_make_one(tmp_path: Path) -> None:
    path = tmp_path / "keys.json"
    with ThreadPoolExecutor(8) as pool:
        made = list(pool.map(lambda _: make_if_missing(path, NOW), range(16)))
    assert made.count(True) == 1
    assert KeyRing(path).sign({})
    assert os.listdir(tmp_path) == [path.name]


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644, 0o620, 0o777, 0o601])
def test_it_is_refused_when_others_can_read_or_change_it(path: Path, mode: int) -> None:
    path.chmod(mode)
    with pytest.raises(KeyFileError, match="chmod 600"):
        KeyRing(path)
    with pytest.raises(KeyFileError, match="chmod 600"):
        rotate(path, NOW)


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", '{"keys": []}', '{"keys": [1]}', '{"keys": [{"kid": "a", "made_at_s": 1, "kty": "oct"}]}']
)
def test_what_is_no_key_file_is_refused_without_its_text(path: Path, text: str) -> None:
    path.write_text(text)
    with pytest.raises(KeyFileError) as refused:
        KeyRing(path)
    assert str(refused.value) == f"{path}: this is not a key file of this service."


def test_the_newest_signs_and_older_ones_verify_until_their_tokens_have_expired(path: Path) -> None:
    ring = KeyRing(path)
    first = opened(ring.sign({"n": 1}))
    second_kid = rotate(path, NOW + 100)
    ring.refresh()
    second = opened(ring.sign({"n": 2}))
    assert second.kid == second_kid != first.kid
    for token in (first, second):
        key = ring.key(token.kid)
        assert key is not None
        check_signature(token, key)
    rotate(path, NOW + 200)
    assert KeyRing(path).key(first.kid), "replaced 100 seconds ago"
    rotate(path, NOW + 900)
    ring.refresh()
    assert ring.key(first.kid) is None
    assert ring.key(second_kid) is None, "replaced 700 seconds ago"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_key_of_another_process_is_found_by_its_name(path: Path) -> None:
    here, there = KeyRing(path), KeyRing(path)
    rotate(path, NOW)
    there.refresh()
    token = opened(there.sign({}))
    key = here.key(token.kid)
    assert key is not None
    check_signature(token, key)
    assert here.key("nobody") is None


def test_the_keys_that_verify_hold_no_private_part(path: Path) -> None:
    ring = KeyRing(path)
    key = ring.key(opened(ring.sign({})).kid)
    assert key is not None and not key.key.is_private
    with pytest.raises(NotTrusted):
        check_signature(opened("e30.e30.AAAA"), key)
