"""The queries of a dashboard, found in its JSON, filled in as Grafana fills them in, and asked of a store as it asks."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from stores import get

#: A variable's value: several (a regular expression of them), or one as it is.
Value = str | list[str]
Labels = frozenset[tuple[str, str]]
#: Instant: labels -> value. Over time: labels -> {UTC s: value}.
Found = dict[Labels, float] | dict[Labels, dict[float, float]]


@dataclass(frozen=True)
class Asked:
    """`kind`: 'instant', 'range', 'annotation' or 'variable'. `place`: the title of the panel, '@' and the name of an
    annotation, '$' and the name of a variable; `ref`: the query's letter. `step`: the smallest step that the panel takes, '' if it is Grafana's."""

    file: str
    place: str
    ref: str
    kind: str
    text: str
    step: str = ""
    regex: str = ""

    @property
    def name(self) -> tuple[str, str, str]:
        return self.file, self.place, self.ref


def queries(file: str, dashboard: Mapping[str, Any]) -> Iterator[Asked]:
    for panel in dashboard["panels"]:
        for one in panel.get("targets", ()):
            kind = "range" if one["range"] else "instant"
            yield Asked(file, panel["title"], one["refId"], kind, one["expr"], one.get("interval", ""))
    for one in dashboard["annotations"]["list"]:
        yield Asked(file, f"@{one['name']}", "A", "annotation", one["expr"], one["step"])
    for one in dashboard["templating"]["list"]:
        if one["type"] == "query":
            yield Asked(file, f"${one['name']}", "A", "variable", one["query"]["query"], regex=one["regex"])


def everything_asked(found: Any) -> Iterator[str]:
    """Every text in the JSON that could be a query, wherever it stands: nothing may hide from `queries`."""
    if isinstance(found, Mapping):
        for key, one in found.items():
            if key == "expr" or (key == "query" and isinstance(one, str) and "(" in one):
                yield one
            yield from everything_asked(one)
    elif isinstance(found, list):
        for one in found:
            yield from everything_asked(one)


# --- filling in --------------------------------------------------------------------------------------------------------

_VARIABLE = re.compile(r"\$(?:([A-Za-z_]\w*)|\{(\w+)(?::\w+)?\})|\[\[(\w+)\]\]")
_ALL = "$__all"


@dataclass(frozen=True)
class Chosen:
    """What stands above a dashboard: the variables' values, the time range (UTC s), the step that Grafana would take."""

    values: Mapping[str, Value]
    start_s: int
    end_s: int
    step_s: int = 60

    def step_of(self, asked: Asked) -> int:
        """The step of a query: its smallest one if that is longer than Grafana's."""
        return max(self.step_s, seconds(asked.step)) if asked.kind != "annotation" else seconds(asked.step)

    def filled(self, text: str, step_s: int) -> str:
        own = {
            "__interval": f"{step_s}s", "__interval_ms": str(step_s * 1000), "__range": f"{self.end_s - self.start_s}s",
            "__range_s": str(self.end_s - self.start_s),
        }  # fmt: skip

        def value(found: re.Match[str]) -> str:
            name = found[1] or found[2] or found[3]
            if name in own:
                return own[name]
            assert name in self.values, f"nothing gives ${name} a value: {text}"
            return _as_regex(self.values[name])

        return _VARIABLE.sub(value, text)


def _as_regex(value: Value) -> str:
    if isinstance(value, str):
        return value
    if value == [_ALL]:
        return ".+"
    escaped = [re.sub(r"([\\^$*+?.()|{}\[\]])", r"\\\\\1", one) for one in value]
    return escaped[0] if len(escaped) == 1 else f"({'|'.join(escaped)})"


def seconds(duration: str) -> int:
    if not duration:
        return 0
    return int(duration[:-1]) * {"s": 1, "m": 60, "h": 3600, "d": 86400}[duration[-1]]


# --- asking ------------------------------------------------------------------------------------------------------------


def ask(url: str, asked: Asked, chosen: Chosen) -> Any:
    """What the store answers: Found of a panel's or an annotation's query, the list of choices of a variable."""
    step_s = chosen.step_of(asked)
    if asked.kind == "variable":
        return _choices(url, asked, chosen)
    text = chosen.filled(asked.text, step_s)
    if asked.kind == "instant":
        return instant(url, text, chosen.end_s)
    start_s, end_s = (at_s - at_s % step_s for at_s in (chosen.start_s, chosen.end_s))  # Grafana asks for whole steps
    return over(url, text, start_s, end_s, step_s)


def instant(url: str, text: str, at_s: float) -> dict[Labels, float]:
    answer = json.loads(get(url + "/api/v1/query", query=text, time=at_s))
    return {_labels(one): float(one["value"][1]) for one in answer["data"]["result"]}


def over(url: str, text: str, start_s: int, end_s: int, step_s: int) -> dict[Labels, dict[float, float]]:
    answer = json.loads(get(url + "/api/v1/query_range", query=text, start=start_s, end=end_s, step=step_s))
    return {_labels(one): {at_s: float(value) for at_s, value in one["values"]} for one in answer["data"]["result"]}


def _labels(series: Mapping[str, Any]) -> Labels:
    return frozenset(series["metric"].items())


def _choices(url: str, asked: Asked, chosen: Chosen) -> list[str]:
    """The choices of a variable, as both ways that Grafana has of asking for the values of a label must give them."""
    if found := re.fullmatch(r"query_result\((.*)\)", asked.text):
        texts = _result_texts(instant(url, chosen.filled(found[1], chosen.step_s), chosen.end_s))
        return _picked(texts, asked.regex)
    found = re.fullmatch(r"label_values\((.*), (\w+)\)", asked.text)
    assert found is not None, asked
    selector, label = chosen.filled(found[1], chosen.step_s), found[2]
    times = {"match[]": selector, "start": chosen.start_s, "end": chosen.end_s}
    values = json.loads(get(f"{url}/api/v1/label/{label}/values", **times))["data"]
    series = json.loads(get(f"{url}/api/v1/series", **times))["data"]
    assert sorted(values) == sorted({one[label] for one in series}), asked
    return _picked(values, asked.regex)


def _result_texts(found: Mapping[Labels, float]) -> list[str]:
    """Series as Grafana writes them for the regular expression of a variable."""
    return [
        f"{{{','.join(f'{name}={json.dumps(value)}' for name, value in sorted(labels))}}} {value:g} 0"
        for labels, value in found.items()
    ]


def _picked(texts: Sequence[str], regex: str) -> list[str]:
    """What the variable's regular expression, written /.../, takes out of each text; without one, the texts."""
    if not regex:
        return sorted(texts)
    found = [re.search(regex.strip("/"), one) for one in texts]
    return sorted({one[1] for one in found if one is not None})
