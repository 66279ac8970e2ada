"""Payloads as pure functions, held to the AsyncAPI description; and the description itself."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from typing import Any

import jsonschema_rs
import pytest
from broker import Described, need
from hypothesis import given
from hypothesis import strategies as st
from mqtt_world import DAEMON, STARTED, bench, sample, verdict

from benchd.core.samples import CHANNELS
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict
from benchd.forward import payloads
from benchd.forward.mqtt_commands import MOST_BYTES, PARAMETERS

NOW = datetime(2026, 11, 25, 9, 30, 0, 123456, tzinfo=UTC)
DESCRIBED = Described()


def check(ending: str, payload: dict[str, Any]) -> dict[str, Any]:
    """What a reader gets of it; must be as described."""
    read = json.loads(payloads.encoded(payload))
    DESCRIBED.check(f"benchd/{DAEMON}/{ending}", read)
    return dict(read)


def test_states() -> None:
    up = check("state", payloads.daemon_state(DAEMON, "up", "0" * 16, NOW, ["bay-2", "bay-1"], "0.1.0"))
    assert (up["time"], up["benches"]) == ("2026-11-25T09:30:00.123Z", ["bay-1", "bay-2"])
    check("state", payloads.daemon_state(DAEMON, "gone", "0" * 16, None))
    facts = payloads.bench_facts(bench("in a run", "run-1"))
    told = check("bay-1/state", payloads.bench_state(DAEMON, "bay-1", facts, NOW))
    assert (told["state"], told["run"], told["instruments"][0]["identity"]) == ("in a run", "run-1", "VELD 6100")
    assert "192.0.2.7" not in json.dumps(told), "no address of the shop's network"
    assert check("bay-1/state", payloads.bench_stopped(DAEMON, "bay-1", facts, NOW))["run"] is None


def test_facts_do_not_change_with_values_and_counts() -> None:
    before, after = bench(), bench()
    after["channels"]["battery_volts"]["value"] = 12.7
    after["instruments"][0]["counts"]["readings"] = 99
    assert payloads.bench_facts(before) == payloads.bench_facts(after)
    after["instruments"][0]["state"] = "silent"
    assert payloads.bench_facts(before) != payloads.bench_facts(after)


def test_a_text_of_an_instrument_is_cut_to_length() -> None:
    long = bench()
    long["instruments"][0]["identity"] = "x" * 10_000
    assert len(payloads.bench_facts(long)["instruments"][0]["identity"]) == payloads.MOST_TEXT


def test_a_sample_is_completed_by_what_was_read_since_the_message_before_and_nothing_is_sent_twice() -> None:
    newest = payloads.NewestSample("run-1")
    newest.add(sample(1.0, battery_volts=12.60, engine_rpm=3450.0) | {"seq": 5})
    newest.add(sample(1.5, battery_volts=12.61) | {"seq": 6})
    told = check("bay-1/sample", newest.payload(DAEMON, "bay-1", STARTED))
    assert (told["seq"], told["t_ns"], told["time"]) == (6, 1_500_000_000, "2026-11-25T08:00:01.500Z")
    assert told["channels"]["battery_volts"] == {
        "value": 12.61, "unit": "V", "resolution": 0.01, "flags": [], "age_s": 0.05
    }  # fmt: skip
    assert told["channels"]["engine_rpm"]["age_s"] == pytest.approx(0.55)
    assert not newest.waits
    newest.add(sample(2.0, battery_volts=12.62) | {"seq": 7})
    assert newest.payload(DAEMON, "bay-1", STARTED)["channels"].keys() == {"battery_volts"}


def test_a_flag_replaces_the_value_before_it() -> None:
    newest = payloads.NewestSample("run-1")
    newest.add(sample(1.0, battery_volts=12.6) | {"seq": 5})
    newest.add({"kind": "sample", "t_ns": 2, "seq": 6, "values": {"battery_volts": [None, None, ["overload"], 0.0]}})
    told = check("bay-1/sample", newest.payload(DAEMON, "bay-1", None))
    assert told["channels"]["battery_volts"]["value"] is None
    assert told["channels"]["battery_volts"]["flags"] == ["overload"]
    assert told["time"] is None


def test_every_unit_and_outcome_is_described() -> None:
    newest = payloads.NewestSample("run-1")
    newest.add(sample(1.0, **dict.fromkeys(CHANNELS, 1.0)) | {"seq": 1})
    assert check("bay-1/sample", newest.payload(DAEMON, "bay-1", STARTED))["channels"].keys() == CHANNELS.keys()
    for outcome in Outcome:
        for suspect in Suspect:
            judged = Verdict(
                "stator", outcome, suspect, ("why",), {"x": Measured(1.0, "V", None, None)}, {}, "", 1.0, 2, None
            )
            record = verdict("run-1") | judged.to_json() | {"seq": 9}
            check("bay-1/verdict", payloads.verdict(DAEMON, "bay-1", record, "run-1", STARTED))


def test_a_verdict_is_the_contract_object_with_who_says_it() -> None:
    record = verdict("run-1") | {"seq": 130}
    told = check("bay-1/verdict", payloads.verdict(DAEMON, "bay-1", record, "run-1", STARTED))
    assert (told["daemon"], told["bench"], told["bench_name"]) == (DAEMON, "bay-1", "bay 1")
    assert (told["seq"], told["time"]) == (130, "2026-11-25T08:01:02.500Z")
    same = {name: value for name, value in record.items() if name not in ("kind", "bench")}
    assert {name: told[name] for name in same} == same


_ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=10,
)


@given(st.dictionaries(st.text(), _ANY, max_size=5))
def test_whatever_stands_in_a_record_is_strict_json(found: dict[str, Any]) -> None:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    json.loads(payloads.encoded(found), parse_constant=refuse)


# --- the description --------------------------------------------------------------------------------------------------


def test_references_of_the_description_lead_somewhere_and_its_schemas_are_schemas() -> None:
    def walk(found: Any) -> None:
        if isinstance(found, dict):
            if isinstance(found.get("$ref"), str):
                assert DESCRIBED.resolve(found)
            for one in found.values():
                walk(one)
        elif isinstance(found, list):
            for one in found:
                walk(one)

    walk(DESCRIBED.document)
    assert DESCRIBED.document["asyncapi"] == "3.0.0"
    for schema in DESCRIBED.document["components"]["schemas"].values():
        jsonschema_rs.meta.validate({"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema)


def test_the_description_is_whole() -> None:
    """As AsyncAPI 3.0 wants it: every operation has a channel, every placeholder a parameter, every channel a message."""
    document = DESCRIBED.document
    used = {one["channel"]["$ref"].rsplit("/", 1)[1] for one in document["operations"].values()}
    used |= {
        one["reply"]["channel"]["$ref"].rsplit("/", 1)[1] for one in document["operations"].values() if "reply" in one
    }
    assert used == document["channels"].keys()
    for channel in document["channels"].values():
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == channel["parameters"].keys()
        assert channel["messages"]
    assert {one["action"] for one in document["operations"].values()} == {"send", "receive"}


def test_the_descriptions_commands_are_the_programs() -> None:
    schema = DESCRIBED.document["components"]["schemas"]["command"]
    assert set(schema["properties"]["command"]["enum"]) == PARAMETERS.keys()
    for one in schema["oneOf"]:
        known = PARAMETERS[one["properties"]["command"]["const"]]
        described = one["properties"].keys() - schema["properties"].keys()
        assert described == known.keys()
        assert {name: one["properties"][name]["maxLength"] for name in known} == {
            name: longest for name, (longest, _) in known.items()
        }
        assert set(one.get("required", ())) == {name for name, (_, needed) in known.items() if needed}
    assert MOST_BYTES == 32 * 1024


@pytest.mark.parametrize("change", [{"schema": 2}, {"time": "today"}, {"bench": "Bay 1"}, {"channels": {"x": {}}}])
def test_the_description_can_say_no(change: dict[str, Any]) -> None:
    newest = payloads.NewestSample("run-1")
    newest.add(sample(1.0, battery_volts=12.6) | {"seq": 1})
    good = newest.payload(DAEMON, "bay-1", STARTED)
    check("bay-1/sample", good)
    with pytest.raises(jsonschema_rs.ValidationError):
        check("bay-1/sample", good | change)


def test_without_a_broker_tests_are_skipped_but_a_build_machine_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("broker.shutil.which", lambda *_, **__: None)
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="mosquitto is not installed"):
        need("mosquitto")
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="mosquitto is not installed"):
        need("mosquitto")
