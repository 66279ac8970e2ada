"""Commands by MQTT: the gate alone under hostile input, and signed commands over a real Mosquitto."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from broker import Broker, Described, Ear, make_certificates, until
from hypothesis import given, settings
from hypothesis import strategies as st
from mqtt_world import DAEMON, World

from benchd.errors import BusyError
from benchd.forward import mqtt_commands
from benchd.forward.mqtt_commands import Command, CommandGate, Refused
from benchd.server.tokens import TokenStore

KEY = b"k" * 32
TOKENS = {"office": (KEY, "operate"), "chief": (b"c" * 32, "administer"), "screen": (b"s" * 32, "look")}
GUIDE = Path(__file__).parents[2] / "configs" / "guide" / "mqtt.md"
NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def signed(key: bytes = KEY, at: datetime = NOW, **more: Any) -> dict[str, Any]:
    """A command as somebody would make it who has only the guide's words: nothing of benchd is used."""
    body = {
        "id": "20261125-0001", "issued": at.isoformat(), "daemon": DAEMON, "bench": "bay-1", "token": "office",
        "command": "stop", "because": "smoke",
    } | more  # fmt: skip
    body = {name: value for name, value in body.items() if value is not None}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return body | {"signature": hmac.new(key, text.encode("utf-8", "replace"), hashlib.sha256).hexdigest()}


class Clock:
    def __init__(self) -> None:
        self.at = NOW - timedelta(hours=1)

    def __call__(self) -> datetime:
        return self.at


@pytest.fixture
def gate() -> CommandGate:
    clock = Clock()
    found = CommandGate(DAEMON, TOKENS.get, clock)
    clock.at = NOW
    return found


def admit(gate: CommandGate, body: Any, **more: Any) -> Command | Refused:
    return gate.admit("bay-1", json.dumps(body).encode(), **more)


def test_a_signed_command_is_let_in(gate: CommandGate) -> None:
    found = admit(gate, signed())
    assert found == Command("20261125-0001", "bay-1", "stop", {"because": "smoke"}, "office")
    assert gate.admitted == 1
    assert not gate.refused


def test_an_administrator_may_operate_too(gate: CommandGate) -> None:
    assert isinstance(admit(gate, signed(b"c" * 32, token="chief")), Command)


def test_letters_beyond_ascii_are_signed_as_utf_8(gate: CommandGate) -> None:
    found = admit(gate, signed(command="mark", because=None, text="Öl läuft aus \N{WARNING SIGN}"))
    assert isinstance(found, Command)
    assert found.parameters == {"text": "Öl läuft aus \N{WARNING SIGN}"}


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (signed(b"x" * 32), "signature"),
        (signed() | {"because": "steam"}, "signature"),
        (signed() | {"run": "run-1"}, "signature"),
        (signed() | {"signature": "0" * 64}, "signature"),
        (signed(b"", token="nobody"), "signature"),
        (signed(b"none", token="nobody"), "signature"),  # the key that stands in for an unknown one opens nothing
        (signed(b"s" * 32, token="screen"), "scope"),
        (signed(bench="bay-2"), "elsewhere"),
        (signed(daemon="another-lane-00000000"), "elsewhere"),
        (signed(at=NOW - timedelta(seconds=61)), "time"),
        (signed(at=NOW + timedelta(seconds=61)), "time"),
        (signed(at=NOW.replace(tzinfo=None)), "form"),
        (signed(issued="yesterday"), "form"),
        (signed(issued="0001-01-01T00:00:00+23:59"), "form"),
        (signed(issued=1764057600), "form"),
        (signed(id="short"), "form"),
        (signed(id="../../../etc"), "form"),
        (signed(id=None), "form"),
        (signed(command="shutdown"), "form"),
        (signed(command="\x1b[2J"), "form"),
        (signed(because={"a": 1}), "form"),
        (signed(because="x" * 501), "form"),
        (signed(because="\ud800"), "form"),
        (signed(path="/etc"), "form"),
        (signed(command="mark", because=None), "form"),
        (signed(command="start", because=None, procedure="regulator"), "form"),
        (signed(command="start", because=None, procedure="regulator", spec="a", spec_toml="b"), "form"),
        ({name: one for name, one in signed().items() if name != "signature"}, "form"),
        (signed() | {"signature": "0" * 63 + "Ä"}, "form"),
        ([signed()], "no JSON"),
        ("stop", "no JSON"),
        (None, "no JSON"),
    ],
)  # fmt: skip
def test_everything_else_is_refused_with_a_reason_and_counted(gate: CommandGate, body: Any, kind: str) -> None:
    found = admit(gate, body)
    assert isinstance(found, Refused)
    assert (found.kind, dict(gate.refused)) == (kind, {kind: 1})
    assert found.reason
    assert "\x1b" not in found.reason
    assert isinstance(admit(gate, signed()), Command), "what was refused leaves no trace"


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"\xff\xfe", b"{", b"[" * 30_000, b'{"a":' * 6000, b"1" * 30_000, b"nan", b'"\\ud800"', b"{}" * 2,
        b'{"id":"one-two-three","id":"one-two-three"}', b" " * (mqtt_commands.MOST_BYTES + 1), b"\x00" * 100,
    ],
)  # fmt: skip
def test_rubbish_is_refused(gate: CommandGate, payload: bytes) -> None:
    assert isinstance(gate.admit("bay-1", payload), Refused)


def test_retained_and_replayed_and_over_again(gate: CommandGate) -> None:
    assert getattr(admit(gate, signed(), retained=True), "kind", "") == "retained"
    assert isinstance(admit(gate, signed()), Command)
    assert getattr(admit(gate, signed()), "kind", "") == "replay"
    # The same id with another content and a good signature is a replay too.
    assert getattr(admit(gate, signed(because="steam")), "kind", "") == "replay"


def test_a_clock_that_is_set_back_revives_no_old_command(gate: CommandGate) -> None:
    clock: Any = gate.now
    assert isinstance(admit(gate, signed()), Command)
    clock.at = NOW + timedelta(seconds=100)
    assert isinstance(admit(gate, signed(at=clock.at, id="20261125-0002")), Command)  # here the first is forgotten
    clock.at = NOW
    assert getattr(admit(gate, signed()), "kind", "") == "time"


def test_commands_from_before_the_daemon_was_there_are_refused() -> None:
    gate = CommandGate(DAEMON, TOKENS.get, lambda: NOW)
    assert getattr(admit(gate, signed(at=NOW - timedelta(seconds=1))), "kind", "") == "time"


def test_what_is_remembered_is_bounded(gate: CommandGate, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_commands, "MOST_SEEN", 3)
    for number in range(3):
        assert isinstance(admit(gate, signed(id=f"20261125-000{number}")), Command)
    assert getattr(admit(gate, signed(id="20261125-0009")), "kind", "") == "too much"
    assert getattr(admit(gate, signed(id="20261125-0000")), "kind", "") == "replay", "nothing was forgotten for it"
    clock: Any = gate.now
    clock.at = NOW + timedelta(seconds=61)
    assert isinstance(admit(gate, signed(at=clock.at, id="20261125-0010")), Command)


def test_a_token_store_that_breaks_lets_nobody_in() -> None:
    def broken(name: str) -> None:
        raise OSError("tokens.json is away")

    gate = CommandGate(DAEMON, broken, lambda: NOW)
    found = admit(gate, signed())
    assert isinstance(found, Refused)
    assert (found.kind, "tokens.json" in found.reason) == ("no tokens", False)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=400, deadline=None)
@given(name=st.sampled_from(sorted(signed())), value=_JSON, bench=st.text(max_size=10))
def test_a_signed_command_with_anything_for_one_of_its_values_never_raises(name: str, value: Any, bench: str) -> None:
    gate = CommandGate(DAEMON, TOKENS.get, lambda: NOW)
    body = signed() | {name: value}
    found = gate.admit(bench, json.dumps(body).encode())
    assert isinstance(found, Refused)  # the bench of the topic is not the command's, or the signature is not right
    assert gate.refused.total() == 1


@settings(max_examples=400, deadline=None)
@given(st.binary(max_size=300))
def test_no_bytes_raise(payload: bytes) -> None:
    assert isinstance(CommandGate(DAEMON, TOKENS.get).admit("bay-1", payload), Refused)


# --- over a broker ----------------------------------------------------------------------------------------------------


class Sink:
    """What the daemon would do; here it only notes."""

    def __init__(self) -> None:
        self.done: list[tuple[str, str, dict[str, str], str]] = []
        self.go_on = asyncio.Event()
        self.go_on.set()

    async def execute(self, bench: str, command: str, parameters: Mapping[str, str], asked_by: str) -> dict[str, Any]:
        await self.go_on.wait()
        self.done.append((bench, command, dict(parameters), asked_by))
        if command == "answer":
            raise BusyError("the run has ended")
        if command == "mark":
            raise ZeroDivisionError("a mistake of ours")
        return {"run": "run-7"}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    make_certificates(tmp_path)
    found = Broker(tmp_path, tls_name="ca")
    found.start()
    yield found
    found.kill()


@pytest.fixture
def world(tmp_path: Path, broker: Broker) -> World:
    return World(tmp_path, broker, {"commands": True})


def fresh(number: int, **more: Any) -> dict[str, Any]:
    return signed(at=datetime.now(UTC), id=f"20261125-{number:04}", **more)


TOPIC = f"benchd/{DAEMON}/bay-1/command"


async def test_signed_commands_are_carried_out_and_answered(world: World, broker: Broker) -> None:
    sink, described = Sink(), Described()
    async with world.running(commands=sink, key_of=TOKENS.get) as forwarder, Ear(broker, f"{TOPIC}/result") as ear:
        await until(lambda: forwarder.status().state == "up to date")
        async with broker.client() as office:

            async def send(body: dict[str, Any], **more: Any) -> dict[str, Any]:
                before = len(ear.of("/result"))
                await office.publish(TOPIC, json.dumps(body), 1, **more)
                await until(lambda: len(ear.of("/result")) > before)
                return ear.of("/result")[-1].body

            start = fresh(1, command="start", because=None, procedure="regulator", spec="hollin-t18", unit="17")
            assert described.check(TOPIC, start) == "command"
            said = await send(start)
            assert (said["id"], said["accepted"], said["result"]) == (start["id"], True, {"run": "run-7"})
            assert sink.done == [
                ("bay-1", "start", {"procedure": "regulator", "spec": "hollin-t18", "unit": "17"}, "office")
            ]
            assert "received before" in (await send(start))["reason"]
            assert "not signed" in (await send(fresh(2) | {"because": "changed on the way"}))["reason"]
            unsigned = {name: one for name, one in fresh(3).items() if name != "signature"}
            assert "no signature" in (await send(unsigned))["reason"]
            assert (await send({"hello": "there"}))["id"] is None
            assert "ended" in (await send(fresh(4, command="answer", because=None, prompt="p", text="y")))["reason"]
            said = await send(fresh(5, command="mark", because=None, text="x"))
            assert (said["accepted"], "mistake" in said["reason"]) == (False, False)
            assert len(sink.done) == 3
            refused = dict(forwarder.commands_refused)
        assert refused == {"replay": 1, "signature": 1, "form": 2}


async def test_a_retained_command_is_none(world: World, broker: Broker) -> None:
    sink = Sink()
    async with broker.client() as office:
        await office.publish(TOPIC, json.dumps(fresh(1)), 1, True)
    async with world.running(commands=sink, key_of=TOKENS.get) as forwarder:
        await until(lambda: forwarder.commands_refused)
        assert dict(forwarder.commands_refused) == {"retained": 1}
    assert not sink.done


async def test_switched_off_nobody_listens(tmp_path: Path, broker: Broker) -> None:
    sink = Sink()
    world = World(tmp_path, broker)  # commands are off unless the site file says otherwise
    async with world.running(commands=sink, key_of=TOKENS.get) as forwarder, Ear(broker, f"{TOPIC}/#") as ear:
        await until(lambda: forwarder.status().state == "up to date")
        async with broker.client() as office:
            await office.publish(TOPIC, json.dumps(fresh(1)), 1)
        await until(lambda: [one for one in ear.heard if one.topic == TOPIC])
        await asyncio.sleep(0.3)
        assert not ear.of("/result")
        assert not forwarder.commands_refused
    assert not sink.done


async def test_switched_on_without_anybody_to_carry_them_out_is_a_mistake(world: World) -> None:
    with pytest.raises(ValueError, match="need a sink"):
        world.forwarder()


async def test_a_flood_is_counted_not_answered_and_states_go_on(world: World, broker: Broker) -> None:
    sink = Sink()
    async with world.running(commands=sink, key_of=TOKENS.get) as forwarder, Ear(broker, f"{TOPIC}/result") as ear:
        await until(lambda: forwarder.status().state == "up to date")
        async with broker.client() as office:
            for _ in range(500):
                await office.publish(TOPIC, b"[" * 2000, 1)
            await office.publish(f"benchd/{DAEMON}/no-such-bench/command", json.dumps(fresh(1)), 1)
            await office.publish(TOPIC, json.dumps(fresh(2)), 1)
        await until(lambda: sink.done)
        assert forwarder.commands_refused["no JSON"] == 500
        assert forwarder.commands_refused["no such bench"] == 1
        assert len([one for one in ear.of("/result") if not one.body["accepted"]]) < 50
        assert forwarder.status().failures == 0


async def test_a_command_under_way_outlives_the_connection(world: World, broker: Broker) -> None:
    sink = Sink()
    sink.go_on.clear()
    async with world.running(commands=sink, key_of=TOKENS.get) as forwarder:
        await until(lambda: forwarder.status().state == "up to date")
        async with broker.client() as office:
            for number in range(9):
                await office.publish(TOPIC, json.dumps(fresh(number)), 1)
        await until(lambda: forwarder.commands_refused.get("too much") == 1)  # eight at once
        broker.kill()
        await until(lambda: forwarder.status().failures > 0)
        sink.go_on.set()
        await until(lambda: len(sink.done) == 8)
        broker.start()
        await until(lambda: forwarder.status().state == "up to date")


# --- the guide --------------------------------------------------------------------------------------------------------


def test_the_guides_way_to_sign_opens_the_gate_with_the_token_stores_key(tmp_path: Path) -> None:
    tokens = TokenStore(tmp_path / "tokens.json")
    token = tokens.make("office", "operate")
    (code,) = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    names: dict[str, Any] = {}
    exec(code, names)
    command = {
        "id": "20261125-0001", "issued": NOW.isoformat(), "daemon": DAEMON, "bench": "bay-1", "token": "office",
        "command": "mark", "text": "Öl nachgefüllt",
    }  # fmt: skip
    gate = CommandGate(DAEMON, tokens.signing_key, lambda: NOW)
    assert isinstance(gate.admit("bay-1", names["sign"](command, token)), Command)
    other = command | {"id": "20261125-0002"}
    assert getattr(gate.admit("bay-1", names["sign"](other, token + "x")), "kind", "") == "signature"
    tokens.revoke("office")
    assert getattr(gate.admit("bay-1", names["sign"](other, token)), "kind", "") == "signature"


def test_the_guides_example_and_topics_are_as_described() -> None:
    text, described = GUIDE.read_text(encoding="utf-8"), Described()
    (example,) = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    assert described.check(f"benchd/{DAEMON}/bay-1/verdict", json.loads(example)) == "verdict"
    told = set(re.findall(r"^\| `(PREFIX/\S+)` \|", text, re.MULTILINE))
    addresses = {one["address"] for one in described.document["channels"].values()}
    assert told == {re.sub(r"\{(\w+)\}", lambda found: found[1].upper(), one) for one in addresses}
    for command, parameters in mqtt_commands.PARAMETERS.items():
        (row,) = re.findall(rf"`{command}` \(([^)]*)\)", text)
        assert set(re.findall(r"`(\w+)`", row)) == parameters.keys()
