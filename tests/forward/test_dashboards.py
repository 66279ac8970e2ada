"""The dashboards in dashboards/store: every query in every file is asked of a real VictoriaMetrics that the daemons'
own forwarders filled, and must answer what was planted; names are those of the schema; the files are what the modules
make, and what Grafana's open schema knows."""

from __future__ import annotations

import asyncio
import enum
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from answers_of_runs import silent_labels
from benchd_dashboards.store import made
from dashboard_answers import answers
from dashboard_queries import Asked, Chosen, Labels, Value, ask, everything_asked, instant, queries
from dashboard_view import BENCH, View
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.cog.plugins import register_default_plugins
from grafana_foundation_sdk.models.dashboard import Dashboard
from planted import LOT, MILL, NOW_S, SHOP, YARD, Point, Run, everything, send
from stores import VictoriaMetrics, running

from benchd.core.samples import CHANNELS
from benchd.forward import schema
from benchd.forward.points import RunLines

register_default_plugins()

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "dashboards" / "store"
GUIDE = ROOT / "configs" / "guide"
FILES = {path.name: json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.json"))}
QUERIES = [asked for file, dashboard in FILES.items() for asked in queries(file, dashboard)]
HOUR, DAY = 3600, 86400
ALL = ["$__all"]


@dataclass(frozen=True)
class Planted:
    url: str
    runs: list[Run]
    points: list[Point]

    def view(self, chosen: Chosen, step_s: int) -> View:
        return View(self.runs, self.points, chosen, step_s)


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Planted]:
    folder = tmp_path_factory.mktemp("planted")
    runs = everything()
    with running(VictoriaMetrics(folder)) as store:
        asyncio.run(send(folder, store.url, runs))
        points = [point for run in runs for point in run.points()]
        assert kept(store) == in_the_store(points)
        yield Planted(store.url, runs, points)


def kept(store: VictoriaMetrics) -> dict[tuple[str, Labels], dict[int, float]]:
    found = {}
    for one in store.export('{__name__=~"bench_.*"}'):
        name = one["metric"].pop("__name__")
        found[name, frozenset(one["metric"].items())] = dict(
            zip(one["timestamps"], rounded(one["values"]), strict=True)
        )
    return found


def in_the_store(points: list[Point]) -> dict[tuple[str, Labels], dict[int, float]]:
    """What was planted, as the store should have it: (metric, labels) -> {ms: value}."""
    found: dict[tuple[str, Labels], dict[int, float]] = {}
    for point in points:
        for field, value in point.fields.items():
            series = f"{point.measurement}_{field}", frozenset(point.labels.items())
            found.setdefault(series, {})[round(point.at_s * 1000)] = rounded([value])[0]
    return found


def rounded(values: list[float]) -> list[float]:
    return [float(f"{value:.12g}") for value in values]


# --- the files ---------------------------------------------------------------------------------------------------------


def test_the_files_are_what_their_modules_make() -> None:
    assert made() == {name: (FOLDER / name).read_text(encoding="utf-8") for name in FILES}, (
        "write them anew: python -m benchd_dashboards.store"
    )


@pytest.mark.parametrize("file", FILES)
def test_grafanas_schema_knows_all_of_a_file(file: str) -> None:
    """Read by the typed model of Grafana's dashboards and written again: nothing is lost, and every word is one of the model's."""
    read = Dashboard.from_json(FILES[file])
    lost = list(differences(FILES[file], json.loads(json.dumps(read, cls=JSONEncoder))))
    # What belongs to annotations of a data source of this type stands beside the model.
    assert {where.rpartition(".")[2] for where in lost} <= {
        "step",
        "useValueForTime",
        "titleFormat",
        "textFormat",
        "tagKeys",
    }
    assert all(where.startswith("annotations.list") for where in lost)
    assert list(wrong_words(read)) == []


def differences(one: Any, other: Any, where: str = "") -> Iterator[str]:
    """Where the second lacks something of the first, or has something else."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key, value in one.items():
            yield from differences(value, other.get(key), f"{where}.{key}".lstrip("."))
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, (value, its) in enumerate(zip(one, other, strict=True)):
            yield from differences(value, its, f"{where}[{number}]")
    elif one != other:
        yield where


def wrong_words(found: Any, where: str = "") -> Iterator[str]:
    """Attributes whose value is none of those that the model's type allows, all the way down."""
    if isinstance(found, list):
        for number, one in enumerate(found):
            yield from wrong_words(one, f"{where}[{number}]")
    elif isinstance(found, dict):
        for key, one in found.items():
            yield from wrong_words(one, f"{where}.{key}")
    elif type(found).__module__.startswith("grafana_foundation_sdk.models"):
        hints = get_type_hints(type(found)) if not isinstance(found, enum.Enum) else {}
        for name, hint in hints.items():
            value = getattr(found, name)
            if (words := allowed(hint)) and value is not None and value not in words:
                yield f"{where}.{name}: {value!r} is none of {sorted(map(str, words))}"
            yield from wrong_words(value, f"{where}.{name}")


def allowed(hint: Any) -> set[Any]:
    """The values of an enumeration or of literals; empty for a type that takes others too."""
    parts = [part for part in (get_args(hint) if get_origin(hint) is Union else (hint,)) if part is not type(None)]
    if not all(
        get_origin(part) is Literal or (isinstance(part, type) and issubclass(part, enum.Enum)) for part in parts
    ):
        return set()
    return {value for part in parts for value in (get_args(part) or [one.value for one in part])}


def test_ids_and_titles_are_unique_and_lead_somewhere() -> None:
    uids = {dashboard["uid"]: dashboard for dashboard in FILES.values()}
    assert len(uids) == len({dashboard["title"] for dashboard in FILES.values()}) == len(FILES) == 6
    for file, dashboard in FILES.items():
        assert re.fullmatch(r"benchd-[a-z-]{4,33}", dashboard["uid"])
        assert "__inputs" not in dashboard
        assert len({panel["id"] for panel in dashboard["panels"]}) == len(dashboard["panels"])
        for uid, variables in re.findall(r"/d/([\w-]+)\?([^\"]*)", json.dumps(dashboard)):
            named = set(re.findall(r"var-(\w+)=", variables))
            assert named <= {one["name"] for one in uids[uid]["templating"]["list"]}, (file, uid)


def test_no_data_source_is_fixed() -> None:
    for dashboard in FILES.values():
        sources = [*every(dashboard, "datasource")]
        assert len(sources) > 10
        assert all(one == {"type": "prometheus", "uid": "${store}"} for one in sources)
        assert dashboard["templating"]["list"][0]["type"] == "datasource"


def test_every_panel_says_what_it_shows_and_nothing_overlaps() -> None:
    for file, dashboard in FILES.items():
        taken: set[tuple[int, int]] = set()
        for panel in dashboard["panels"]:
            assert panel["type"] == "row" or len(panel["description"]) > 15, (file, panel["title"])
            place = panel["gridPos"]
            assert place["x"] + place["w"] <= 24
            cells = {(place["x"] + x, place["y"] + y) for x in range(place["w"]) for y in range(place["h"])}
            assert not cells & taken, (file, panel["title"])
            taken |= cells


def every(found: Any, key: str) -> Iterator[Any]:
    """The values of a key, wherever it stands."""
    if isinstance(found, dict):
        for name, one in found.items():
            if name == key:
                yield one
            else:
                yield from every(one, key)
    elif isinstance(found, list):
        for one in found:
            yield from every(one, key)


# --- names -------------------------------------------------------------------------------------------------------------

LABELS_MADE = {"channel", "run_no", "__name__"}  # by label_replace and count_values, and the metric's own


def test_the_schema_is_what_the_lines_have() -> None:
    """Tags and fields as they are written, of every measurement."""
    found: dict[str, set[str]] = {}
    for run in everything():
        info = {"run_no": run.run_no, "bench": run.bench, "procedure": run.procedure, "spec": run.machine, "run": "r1",
                "started": "2026-11-24T08:00:00+00:00", "unit": "u", "work_order": "w"}  # fmt: skip
        records = [{"seq": seq, "run": "r1", **body} for seq, (_, body) in enumerate(run.records(), 2)]
        digests = {one["seq"]: "ab" for one in records}
        for line in RunLines.of(info, run.daemon, readings=True).lines(records, [], digests):
            head, fields, _ = re.split(r"(?<!\\) ", re.sub(r'"[^"]*"', "text", line))
            measurement, *tags = re.split(r"(?<!\\),", head)
            assert tuple(tag.partition("=")[0] for tag in tags) == schema.TAGS[measurement]
            found.setdefault(measurement, set()).update(field.partition("=")[0] for field in fields.split(","))
    assert set(found) == set(schema.TAGS) == set(schema.NUMBERS) == set(schema.STRINGS)
    for measurement, fields in found.items():
        known = {*schema.NUMBERS[measurement], *schema.STRINGS[measurement]}
        assert fields >= known - set(CHANNELS), measurement
        ending = schema.MEASURED.get(measurement)
        quantities = {name for run in everything() for name in run.measured} if ending else set()
        assert fields - known <= {name + end for name in quantities for end in ("", ending)}, measurement


def test_the_guide_names_every_tag_and_field_of_the_schema() -> None:
    guide = (GUIDE / "time-series.md").read_text(encoding="utf-8")
    for names in (schema.TAGS, schema.NUMBERS, schema.STRINGS):
        for measurement, found in names.items():
            assert [name for name in (measurement, *found) if f"`{name}`" not in guide] == []


@pytest.mark.parametrize("file", FILES)
def test_names_are_those_of_the_schema(file: str) -> None:
    """Metrics, labels in selectors and groups, and labels in legends, headings, links and marks."""
    for asked in QUERIES:
        if asked.file == file:
            unknown = [name for name in metrics(asked.text) if not is_known(name)]
            assert unknown == [], asked.name
            tags = {tag for one in measurements(asked.text) for tag in schema.TAGS[one]} | LABELS_MADE
            assert labels(asked.text) <= tags, asked.name
    every_tag = {tag for tags in schema.TAGS.values() for tag in tags} | {"run_no", "channel"}
    text = json.dumps(FILES[file])
    named = {*re.findall(r"\{\{(\w+)\}\}", text), *re.findall(r"__data\.fields\.([a-z]\w*)", text)}
    assert named <= every_tag
    for panel in FILES[file]["panels"]:
        for step in panel.get("transformations", ()):
            assert {
                name for name in step["options"].get("indexByName", ()) if not name.startswith("Value")
            } <= every_tag


def metrics(text: str) -> list[str]:
    """Metrics that are named as they are; patterns are told by `measurements`."""
    return re.findall(r"\bbench_[a-z]+_\w+(?=[{,)\[]|$)", text)


def is_known(metric: str) -> bool:
    measurement = next(one for one in schema.TAGS if metric.startswith(one + "_"))
    return metric.removeprefix(measurement + "_") in schema.NUMBERS[measurement]


def measurements(text: str) -> set[str]:
    patterns = "|".join(re.findall(r"bench_\(([a-z|]+)\)", text)).split("|")
    return {
        one for one in schema.TAGS if re.search(rf"\b{one}_", text) or one.removeprefix("bench_") in patterns
    } or set(schema.TAGS)


def labels(text: str) -> set[str]:
    found = set(re.findall(r"(\w+)\s*(?:=~|!=|!~|=)\s*\"", text))
    for group in re.findall(r"(?:by|on|group_left|group_right|ignoring|without) \(([^)]*)\)", text):
        found |= {one.strip() for one in group.split(",") if one.strip()}
    if asked_of := re.fullmatch(r"label_values\(.*, (\w+)\)", text):
        found.add(asked_of[1])
    return found


# --- the queries -------------------------------------------------------------------------------------------------------

WHOLE = (NOW_S - 32 * HOUR, NOW_S, 120)
PART = (NOW_S - 26 * HOUR, NOW_S - HOUR, 60)
PICKED = [
    str(run.run_no) for run in everything() if run.closed is None or run.procedure == "stator" or run.run_no == 20
]


def passes(
    some: Mapping[str, list[str]],
    fixed: Mapping[str, Value] | None = None,
    then: Mapping[str, Value] | None = None,
    part: tuple[int, int, int] = PART,
) -> list[Chosen]:
    """All of it; each variable with some of it, in another time range; a daemon that sent nothing. What is not narrowed down has
    the values of `fixed`, after the first pass those of `then`."""
    everything: dict[str, Value] = {**(fixed or {}), **dict.fromkeys(some, ALL)}
    later = {**everything, **(then or {})}
    singly = [Chosen({**later, name: values}, *part) for name, values in some.items()]
    return [Chosen(everything, *WHOLE), *singly, Chosen({**later, "daemon": ["quiet-yard-0"]}, *PART)]


CHOSEN: dict[str, list[Chosen]] = {
    "benches-now.json": passes(
        {"daemon": [SHOP], "bench": ["bay-1", "rig-1"]}, {"fresh": "30s", "known": "1d"}, {"fresh": "5m", "known": "1h"},
        (NOW_S - 900, NOW_S, 5),
    ),
    "runs.json": passes(
        {"daemon": [SHOP], "bench": ["bay-1", "rig-1"], "procedure": ["regulator", "unit"], "machine": ["Hollin T18"]},
        {"run": PICKED, "measured": "settled_volts"},
    ),
    "verdict-rates.json": passes(
        {"daemon": [YARD], "bench": ["bay-2"], "procedure": ["regulator", "stator"], "machine": ["Hollin T18", "VR-20"]}
    ),
    "lot-drift.json": passes(
        {"daemon": [SHOP], "bench": ["rig-2"], "part": ["OR-9"], "lot": [LOT]},
        {"characteristic": "set-point-rated", "window": "1h", "low": "13.9", "high": "14.5"},
        {"characteristic": "leakage", "window": "15m", "low": "NaN", "high": "2"},
    ),
    "bench-health.json": passes({"daemon": [SHOP], "bench": ["bay-2"]}),
    "fleet.json": passes({"daemon": [YARD], "procedure": ["regulator"], "machine": ["Hollin T18"]}, {"heard": "1h"}, {"heard": "8h"}),
}  # fmt: skip


def test_every_query_has_an_answer_to_be_held_against() -> None:
    """No query can be skipped: neither one that is new, nor one that hides where nobody looks."""
    assert {asked.name for asked in QUERIES} == set(answers())
    assert len(QUERIES) == len({asked.name for asked in QUERIES})
    for file, dashboard in FILES.items():
        assert sorted(everything_asked(dashboard)) == sorted(asked.text for asked in QUERIES if asked.file == file)
        for chosen in CHOSEN[file]:
            assert set(chosen.values) | {"store"} == {one["name"] for one in dashboard["templating"]["list"]}


@pytest.mark.parametrize("file", FILES)
def test_every_query_answers_what_was_planted(planted: Planted, file: str) -> None:
    for asked in QUERIES:
        if asked.file != file:
            continue
        expected = [answers()[asked.name](planted.view(chosen, chosen.step_of(asked))) for chosen in CHOSEN[file]]
        assert any(expected), f"nothing is planted for {asked.name}"
        for chosen, wanted in zip(CHOSEN[file], expected, strict=True):
            assert_same(asked, ask(planted.url, asked, chosen), wanted)


def assert_same(asked: Asked, found: Any, wanted: Any) -> None:
    if asked.kind == "variable":
        assert found == wanted, asked.name
        return
    found, wanted = without_names(found), {key: value for key, value in wanted.items() if value != {}}
    assert set(found) == set(wanted), (asked.name, asked.text)
    for key, value in wanted.items():
        assert found[key] == close_to(value), (asked.name, dict(key), asked.text)


def close_to(value: Any) -> Any:
    """A moment to the millisecond, all else to six digits."""
    moments = max(value.values() if isinstance(value, dict) else [value]) > 1e9
    return pytest.approx(value, rel=0, abs=0.5e-3) if moments else pytest.approx(value, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("file", FILES)
def test_rows_of_a_table_come_together(planted: Planted, file: str) -> None:
    """A table puts the answers of its queries side by side by the labels that all of them have. Each of them must name a row
    once, and every label must be a column or be left out on purpose: one more would tear the rows apart."""
    tables = {
        panel["title"]: panel["transformations"][-1]["options"]
        for panel in FILES[file]["panels"]
        if panel["type"] == "table"
    }
    for title, organize in tables.items():
        answered = [ask(planted.url, asked, CHOSEN[file][0]) for asked in QUERIES if asked.name[:2] == (file, title)]
        names = [{name for key in found for name, _ in key} for found in answered if found]
        assert set().union(*names) <= {*organize["indexByName"], *organize["excludeByName"]}, title
        common = set.intersection(*names)
        for found in answered:
            rows = [frozenset(label for label in key if label[0] in common) for key in found]
            assert len(rows) == len(set(rows)), title


def test_the_alarms_of_the_guide_find_the_trouble(planted: Planted) -> None:
    """Of what was planted: two silent instruments, benches with void runs, lots that fail, and the daemon that was heard last
    five hours ago, three days later."""
    view = planted.view(Chosen({}, NOW_S - DAY, NOW_S), 60)
    void, runs = (
        view.count(found, *BENCH) for found in (view.of("bench_verdict", verdict="void"), view.of("bench_verdict"))
    )
    judged = view.count(view.of("bench_unit", verdict=("pass", "fail", "undecided")), "lot")
    failed = view.count(view.of("bench_unit", verdict="fail"), "lot")
    late_s = NOW_S + 3 * DAY - HOUR
    wanted = {
        "an instrument is silent": (NOW_S, silent_labels(view, HOUR, "daemon", "bench", "procedure", "turn", "source")),
        "void runs": (
            NOW_S,
            {key: void.get(key, 0) / n for key, n in runs.items() if n >= 3 and void.get(key, 0) / n >= 0.25},
        ),
        "a lot fails": (
            NOW_S,
            {key: failed.get(key, 0) / n for key, n in judged.items() if n >= 20 and failed.get(key, 0) / n > 0.1},
        ),
        "a daemon is silent": (late_s, {frozenset({("daemon", MILL)}): late_s - (NOW_S - 5 * HOUR + 7)}),
    }
    text = (GUIDE / "dashboards.md").read_text(encoding="utf-8")
    alarms = dict(re.findall(r"<!-- query: alarm, ([^>]*) -->\n```\n(.*?)```", text, re.DOTALL))
    assert set(alarms) == set(wanted)
    for name, (at_s, answer) in wanted.items():
        assert 0 < len(answer) < 4, name
        assert instant(planted.url, alarms[name], at_s) == pytest.approx(answer), name


def without_names(found: Mapping[Labels, Any]) -> dict[Labels, Any]:
    return {
        frozenset((name, value) for name, value in labels if name != "__name__"): one for labels, one in found.items()
    }
