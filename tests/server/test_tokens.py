"""Tokens: shown once, kept as a hash, compared in constant time, gone when revoked; and the command that makes them."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import stat
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from benchd.cli import cli
from benchd.errors import ConfigError, NotFoundError, UsageError
from benchd.server import tokens as module
from benchd.server.auth import Door, NotSignedInError, is_loopback
from benchd.server.tokens import Scope, TokenStore, signing_key_of


@pytest.fixture
def store(tmp_path: Path) -> TokenStore:
    return TokenStore(tmp_path / "home" / "tokens.json")


def test_a_token_opens_and_only_its_hash_is_kept(store: TokenStore) -> None:
    text = store.make("office", "look")
    token = store.verify(text)
    assert token is not None
    assert (token.name, token.scope, token.expires) == ("office", Scope.LOOK, None)
    kept = store.path.read_text()
    secret = text.rpartition("_")[2]
    assert secret not in kept
    assert hashlib.sha256(text.encode()).hexdigest() in kept
    assert stat.S_IMODE(store.path.stat().st_mode) == 0o600
    assert [one.name for one in store.path.parent.iterdir() if one.name.startswith(".")] == []


def test_tokens_have_256_random_bits_and_differ(store: TokenStore) -> None:
    made = [store.make(f"t{number}", "look") for number in range(50)]
    assert len({one.rpartition("_")[2] for one in made}) == len(made)
    assert all(len(one) == len("benchd_") + 12 + 1 + 43 for one in made)


@pytest.mark.parametrize("text", ["", "x", "benchd_", "benchd_zzzzzzzzzzzz_" + "a" * 43, "b" * 100_000, "é", "\ud800"])
def test_what_is_no_token_is_none(store: TokenStore, text: str) -> None:
    store.make("office", "look")
    assert store.verify(text) is None


def test_unknown_ids_cost_a_comparison_too(store: TokenStore, monkeypatch: pytest.MonkeyPatch) -> None:
    text = store.make("office", "look")
    compared: list[Any] = []
    real = hmac.compare_digest
    monkeypatch.setattr(module.hmac, "compare_digest", lambda one, other: compared.append(1) or real(one, other))
    wrong_secret = text[:-4] + ("AAAA" if text[-4:] != "AAAA" else "BBBB")
    for guess in (text, wrong_secret, "benchd_000000000000_" + "a" * 43, "nothing"):
        store.verify(guess)
    assert len(compared) == 4
    assert store.verify("benchd_000000000000_" + "a" * 43) is None


def test_the_secret_of_one_id_does_not_open_another(store: TokenStore) -> None:
    one, other = store.make("one", "look"), store.make("other", "administer")
    mixed = "_".join([*other.split("_", 2)[:2], one.split("_", 2)[2]])
    assert store.verify(mixed) is None


def test_revoking_is_seen_by_every_store_of_the_file(store: TokenStore) -> None:
    text = store.make("office", "look")
    other = TokenStore(store.path)
    assert other.verify(text) is not None
    token = other.verify(text)
    assert token is not None
    assert other.holds(token)
    store.revoke("office")
    assert other.verify(text) is None
    assert not other.holds(token)
    assert other.signing_key("office") is None
    with pytest.raises(NotFoundError, match="there are: none"):
        store.revoke("office")


def test_an_expired_token_opens_nothing(store: TokenStore, monkeypatch: pytest.MonkeyPatch) -> None:
    text = store.make("visitor", "look", expires_days=1)
    token = store.verify(text)
    assert token is not None
    monkeypatch.setattr(module, "_now", lambda: datetime.now(UTC) + timedelta(days=1, seconds=1))
    assert store.verify(text) is None
    assert not store.holds(token)
    assert not store.any()
    assert store.signing_key("visitor") is None


def test_a_signing_key_is_the_same_on_both_sides(store: TokenStore) -> None:
    text = store.make("broker", "operate")
    assert store.signing_key("broker") == (signing_key_of(text), "operate")
    assert store.signing_key("nobody") is None
    assert signing_key_of(text).hex() not in store.path.read_text()


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o666, 0o622])
def test_a_file_that_others_can_use_is_refused(store: TokenStore, mode: int) -> None:
    text = store.make("office", "look")
    store.path.chmod(mode)
    assert store.verify(text) is None
    with pytest.raises(ConfigError, match="chmod 600"):
        store.list()
    with pytest.raises(ConfigError, match="chmod 600"):
        store.make("another", "look")
    store.path.chmod(0o600)
    assert store.verify(text) is not None


@pytest.mark.parametrize(
    "body", ["", "{", "[]", '{"version": 2, "tokens": []}', '{"version": 1, "tokens": [{"id": 1}]}', "\xff"]
)
def test_a_damaged_file_lets_nobody_in_and_is_not_written_over(store: TokenStore, body: str) -> None:
    text = store.make("office", "look")
    store.path.write_bytes(body.encode("latin-1"))
    assert store.verify(text) is None
    with pytest.raises(ConfigError, match="move it away"):
        store.make("another", "look")
    assert store.path.read_bytes() == body.encode("latin-1")


def test_a_write_that_fails_leaves_the_old_file(store: TokenStore, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchd.errors import StoreError

    text = store.make("office", "look")

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        store.make("another", "look")
    monkeypatch.undo()
    assert [one.name for one in store.list()] == ["office"]
    assert store.verify(text) is not None
    assert {one.name for one in store.path.parent.iterdir()} == {"tokens.json", "tokens.json.lock"}


def test_many_at_once_lose_none(store: TokenStore) -> None:
    def make(number: int) -> None:
        TokenStore(store.path).make(f"t{number}", "look")

    threads = [threading.Thread(target=make, args=(number,)) for number in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(store.list()) == 20


@pytest.mark.parametrize("name", ["", " x", "a\nb", "x" * 65, "\x1b[2J", "é", "../x"])
def test_a_name_is_plain_text(store: TokenStore, name: str) -> None:
    with pytest.raises(UsageError, match="cannot name a token"):
        store.make(name, "look")


def test_a_name_is_taken_once(store: TokenStore) -> None:
    store.make("office", "look")
    with pytest.raises(UsageError, match="already"):
        store.make("office", "look")


# --- the door -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("peer", "opens"),
    [
        ("127.0.0.1", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("10.0.0.7", False),
        ("::ffff:10.0.0.7", False),
        (None, False),
    ],
)
def test_the_local_key_opens_only_to_this_machine(store: TokenStore, peer: str | None, opens: bool) -> None:
    door = Door(store, "k" * 43)
    assert is_loopback(peer) is opens
    headers = [(b"authorization", b"Bearer " + b"k" * 43)]
    if opens:
        assert door.identify(headers, peer).scope is Scope.ADMINISTER
        return
    with pytest.raises(NotSignedInError):
        door.identify(headers, peer)


def test_two_authorizations_are_none(store: TokenStore) -> None:
    text = store.make("office", "look").encode()
    header = (b"authorization", b"Bearer " + text)
    assert Door(store).identify([header], "10.0.0.7").name == "office"
    with pytest.raises(NotSignedInError):
        Door(store).identify([header, header], "10.0.0.7")


def test_each_scope_holds_those_before_it() -> None:
    assert [[one.reaches(other) for other in Scope] for one in Scope] == [
        [True, False, False],
        [True, True, False],
        [True, True, True],
    ]


# --- benchd token -------------------------------------------------------------------------------------------------------


def run(home: Path, *arguments: str) -> Any:
    return CliRunner().invoke(cli, ["token", *arguments], env={"BENCHD_HOME": str(home)})


def test_the_command_prints_the_token_alone(tmp_path: Path) -> None:
    made = run(tmp_path, "make", "office screen", "--scope", "look", "--expires-days", "30")
    assert made.exit_code == 0
    text = made.stdout.strip()
    assert made.stdout.count("\n") == 1
    assert text not in made.stderr
    assert "shown this once" in made.stderr
    token = TokenStore(tmp_path / "tokens.json").verify(text)
    assert token is not None
    assert token.expires is not None
    listed = json.loads(run(tmp_path, "list", "--json").stdout)["tokens"]
    assert [(one["name"], one["scope"]) for one in listed] == [("office screen", "look")]
    assert "sha256" not in listed[0]
    shown = run(tmp_path, "list").stdout
    assert "office screen" in shown
    assert text not in shown
    gone = run(tmp_path, "revoke", "office screen")
    assert (gone.exit_code, gone.stdout) == (0, "")
    assert TokenStore(tmp_path / "tokens.json").verify(text) is None


def test_the_command_wants_a_scope_and_a_name_that_is_free(tmp_path: Path) -> None:
    assert run(tmp_path, "make", "x").exit_code == 2
    assert run(tmp_path, "make", "x", "--scope", "all").exit_code == 2
    assert "There is no token" in run(tmp_path, "list").stderr
    from benchd.cli import Trouble

    found = CliRunner().invoke(cli, ["token", "revoke", "x"], env={"BENCHD_HOME": str(tmp_path)}, standalone_mode=False)
    assert isinstance(found.exception, Trouble)
    assert found.exception.exit_code == 2


@pytest.mark.parametrize("name", ["local", "schedule"])
def test_a_token_is_not_named_as_whoever_needs_none(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match="take another name"):
        TokenStore(tmp_path / "tokens.json").make(name, "look")
