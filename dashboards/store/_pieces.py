"""Panels, tables, variables, annotations and the dashboard around them, as Grafana's JSON. Nothing here knows a query."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ._looks import BLUE, Json, override, steps

SOURCE = {"type": "prometheus", "uid": "${store}"}
SCHEMA = 39  # of Grafana 11; later servers lift it by themselves
TAG = "benchd"
RUNS_OF_BENCH = "/d/benchd-runs?var-daemon=${__data.fields.daemon}&var-bench=${__data.fields.bench}&${__url_time_range}"


# --- queries -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Query:
    """`over` draws it over the time range, else it is asked once at its end. `step`: the smallest step of a range."""

    expr: str
    legend: str = ""
    over: bool = False
    step: str = ""


def _target(query: Query, ref: str, table: bool) -> Json:
    found: Json = {
        "refId": ref,
        "datasource": SOURCE,
        "editorMode": "code",
        "expr": query.expr,
        "format": "table" if table else "time_series",
        "instant": not query.over,
        "range": query.over,
    }
    if query.step:
        found["interval"] = query.step
    if not table:
        found["legendFormat"] = query.legend
    return found


def _targets(queries: Sequence[Query], table: bool = False) -> list[Json]:
    return [_target(one, chr(ord("A") + place), table) for place, one in enumerate(queries)]


# --- panels ------------------------------------------------------------------------------------------------------------


def _panel(
    kind: str, title: str, about: str, targets: list[Json], options: Json, defaults: Json, overrides: list[Json]
) -> Json:
    return {
        "type": kind,
        "title": title,
        "description": about,
        "datasource": SOURCE,
        "targets": targets,
        "options": options,
        "fieldConfig": {"defaults": defaults, "overrides": overrides},
    }


def stat(
    title: str, about: str, *queries: Query, unit: str = "none", decimals: int | None = 0, mappings: Sequence[Json] = (),
    thresholds: Json | None = None, overrides: Sequence[Json] = (),
) -> Json:  # fmt: skip
    """One figure, or several with their names."""
    options = {
        "reduceOptions": {"values": False, "calcs": ["lastNotNull"], "fields": ""},
        "orientation": "auto",
        "textMode": "value_and_name" if any(one.legend for one in queries) else "value",
        "colorMode": "value",
        "graphMode": "none",
        "justifyMode": "auto",
        "percentChangeColorMode": "standard",
        "showPercentChange": False,
        "wideLayout": True,
    }
    defaults = {
        "unit": unit, "mappings": list(mappings), "thresholds": thresholds or steps(BLUE), "color": {"mode": "thresholds"},
        **({} if decimals is None else {"decimals": decimals}), "noValue": "none",
    }  # fmt: skip
    return _panel("stat", title, about, _targets(queries), options, defaults, list(overrides))


def bars_of(title: str, about: str, *queries: Query, unit: str = "none", overrides: Sequence[Json] = ()) -> Json:
    """One bar a series, with its name and number."""
    options = {
        "reduceOptions": {"values": False, "calcs": ["lastNotNull"], "fields": ""},
        "orientation": "horizontal",
        "displayMode": "basic",
        "valueMode": "color",
        "showUnfilled": True,
        "minVizWidth": 8,
        "minVizHeight": 16,
        "maxVizHeight": 300,
        "namePlacement": "auto",
        "sizing": "auto",
        "legend": {"displayMode": "list", "placement": "bottom", "showLegend": False, "calcs": []},
    }
    defaults = {
        "unit": unit,
        "min": 0,
        "decimals": 0,
        "thresholds": steps(BLUE),
        "color": {"mode": "thresholds"},
        "noValue": "none",
    }
    return _panel("bargauge", title, about, _targets(queries), options, defaults, list(overrides))


def chart(
    title: str, about: str, *queries: Query, unit: str = "none", draw: str = "line", decimals: int | None = None,
    legend: Sequence[str] = ("lastNotNull", "min", "max"), overrides: Sequence[Json] = (), points: int = 0, low: float | None = None,
) -> Json:  # fmt: skip
    """Over time. `draw`: line, points or bars (stacked). Gaps stay gaps. `points`: so many steps at most (Grafana's own: as
    many as the panel has pixels)."""
    custom = {
        "drawStyle": draw,
        "lineInterpolation": "linear",
        "lineWidth": 1 if draw == "bars" else 2,
        "fillOpacity": 70 if draw == "bars" else 0,
        "showPoints": {"line": "auto", "points": "always", "bars": "never"}[draw],
        "pointSize": 7 if draw == "points" else 4,
        "spanNulls": False,
        "stacking": {"mode": "normal" if draw == "bars" else "none", "group": "A"},
        "axisPlacement": "auto",
        "scaleDistribution": {"type": "linear"},
    }
    defaults: Json = {"unit": unit, "custom": custom, "color": {"mode": "palette-classic-by-name"}}
    if decimals is not None:
        defaults["decimals"] = decimals
    if draw == "bars" or low is not None:
        defaults["min"] = low or 0
    options = {
        "legend": {"displayMode": "table", "placement": "bottom", "showLegend": True, "calcs": list(legend)},
        "tooltip": {"mode": "multi", "sort": "none"},
    }
    found = _panel("timeseries", title, about, _targets(queries), options, defaults, list(overrides))
    return found | ({"maxDataPoints": points} if points else {})


def timeline(title: str, about: str, query: Query, mappings: Sequence[Json]) -> Json:
    """One row a series, its states told as words."""
    options = {
        "mergeValues": True, "showValue": "auto", "alignValue": "left", "rowHeight": 0.8,
        "legend": {"displayMode": "list", "placement": "bottom", "showLegend": True, "calcs": []},
        "tooltip": {"mode": "single", "sort": "none"},
    }  # fmt: skip
    defaults = {
        "mappings": list(mappings), "thresholds": steps(BLUE), "color": {"mode": "thresholds"},
        "custom": {"lineWidth": 0, "fillOpacity": 80},
    }  # fmt: skip
    return _panel("state-timeline", title, about, _targets([query]), options, defaults, [])


@dataclass(frozen=True)
class Column:
    """One query's values. `hidden` columns are there for links alone. `link`: where its cells lead."""

    title: str
    expr: str
    unit: str = "none"
    decimals: int | None = 0
    mappings: Sequence[Json] = ()
    hidden: bool = False
    link: tuple[str, str] | None = None  # (what it says, where it leads)
    thresholds: Json | None = None


def table(
    title: str, about: str, labels: dict[str, str], columns: Sequence[Column], *, over: bool = False, step: str = "",
    links: dict[str, tuple[str, str]] | None = None, sort: tuple[str, bool] | None = None, points: int = 0, without: Sequence[str] = (),
) -> Json:  # fmt: skip
    """Rows that share their labels, one column a query. `labels`: tag -> heading, in order; `without`: tags that keep rows
    apart but are not shown; `over`: a row for every step that has a point, not only the newest; `links`: heading -> link."""
    targets = _targets([Query(one.expr, over=over, step=step) for one in columns], table=True)
    values = ["Value"] if len(columns) == 1 else [f"Value #{one['refId']}" for one in targets]
    headings = labels | dict(zip(values, (one.title for one in columns), strict=True))
    organize = {
        "excludeByName": {name: True for name in ("Time", *without)},
        "indexByName": {name: place for place, name in enumerate(headings)},
        "renameByName": headings,
    }
    options = {
        "frameIndex": 0,
        "showHeader": True,
        "cellHeight": "sm",
        "footer": {"show": False, "reducer": ["sum"], "countRows": False},
        "sortBy": [] if sort is None else [{"displayName": sort[0], "desc": sort[1]}],
    }
    defaults = {"custom": {"align": "auto", "cellOptions": {"type": "auto"}, "inspect": False}, "noValue": "-"}
    overrides = [_column(one) for one in columns]
    overrides += [override(name, ("links", [_link(*link)])) for name, link in (links or {}).items()]
    found = _panel("table", title, about, targets, options, defaults, overrides)
    merged = [{"id": "merge", "options": {}}] if len(columns) > 1 else []
    found["transformations"] = [*merged, {"id": "organize", "options": organize}]
    return found | ({"maxDataPoints": points} if points else {})


def _column(one: Column) -> Json:
    properties: list[tuple[str, Any]] = [("unit", one.unit)]
    if one.decimals is not None:
        properties.append(("decimals", one.decimals))
    if one.mappings:
        properties += [("mappings", list(one.mappings)), ("custom.cellOptions", {"type": "color-text"})]
    if one.thresholds:
        properties += [("thresholds", one.thresholds), ("custom.cellOptions", {"type": "color-text"})]
    if one.hidden:
        properties.append(("custom.hidden", True))
    if one.link:
        properties.append(("links", [_link(*one.link)]))
    return override(one.title, *properties)


def _link(title: str, url: str) -> Json:
    return {"title": title, "url": url, "targetBlank": False}


# --- variables and annotations -----------------------------------------------------------------------------------------


def store() -> Json:
    """Which data source is asked; nothing is fixed in the files."""
    return {
        "type": "datasource", "name": "store", "label": "Store", "query": "prometheus", "regex": "", "refresh": 1, "hide": 0,
        "multi": False, "includeAll": False, "options": [],
    }  # fmt: skip


def choice(
    name: str, label: str, query: str, *, regex: str = "", all: bool = True, several: bool = True, sort: int = 1, about: str = ""
) -> Json:  # fmt: skip
    """A choice of what the store has in the time range: one, `several`, or `all` of it. Where it is not all, the first is chosen.
    `sort`: 1 by name, 2 by name backwards, 4 the greatest number first."""
    found: Json = {
        "type": "query", "name": name, "label": label, "description": about, "datasource": SOURCE,
        "query": {"query": query, "refId": "PrometheusVariableQueryEditor-VariableQuery"},
        "regex": regex, "refresh": 2, "sort": sort, "hide": 0, "multi": several, "includeAll": all, "options": [],
    }  # fmt: skip
    if all:
        found |= {"allValue": ".+", "current": {"selected": True, "text": ["All"], "value": ["$__all"]}}
    return found


def picked(name: str, label: str, values: Sequence[str], default: str, about: str) -> Json:
    """A choice of fixed values."""
    options = [{"text": one, "value": one, "selected": one == default} for one in values]
    return {
        "type": "custom", "name": name, "label": label, "description": about, "query": ",".join(values), "hide": 0,
        "multi": False, "includeAll": False, "options": options, "current": {"text": default, "value": default, "selected": True},
    }  # fmt: skip


def typed(name: str, label: str, default: str, about: str) -> Json:
    """A field to type into."""
    current = {"text": default, "value": default, "selected": True}
    return {
        "type": "textbox", "name": name, "label": label, "description": about, "query": default, "hide": 0,
        "options": [current], "current": current,
    }  # fmt: skip


def mark(name: str, expr: str, colour: str, title: str, text: str, tags: str, *, on: bool = True) -> Json:
    """Marks on every chart's time axis. The value of `expr` is the moment in ms; its window is wider than the step of a minute, so
    that none is missed between two steps, and what comes twice is drawn once."""
    return {
        "name": name, "datasource": SOURCE, "enable": on, "hide": False, "iconColor": colour, "expr": expr, "step": "60s",
        "useValueForTime": True, "titleFormat": title, "textFormat": text, "tagKeys": tags,
    }  # fmt: skip


# --- the whole ---------------------------------------------------------------------------------------------------------

Row = tuple[int, Sequence[tuple[int, Json]]]  # height, (width of 24, panel)...


def page(
    uid: str, title: str, about: str, variables: Sequence[Json], rows: Sequence[Row | str], *, since: str, refresh: str = "",
    annotations: Sequence[Json] = (),
) -> Json:  # fmt: skip
    """A dashboard. `rows`: panels side by side, or a heading."""
    return {
        "uid": uid,
        "title": title,
        "description": about,
        "tags": [TAG],
        "schemaVersion": SCHEMA,
        "editable": True,
        "graphTooltip": 1,
        "timezone": "browser",
        "time": {"from": since, "to": "now"},
        "timepicker": {},
        "refresh": refresh,
        "fiscalYearStartMonth": 0,
        "links": [_all_dashboards()],
        "templating": {"list": list(variables)},
        "annotations": {"list": list(annotations)},
        "panels": _laid_out(rows),
    }


def _all_dashboards() -> Json:
    return {
        "title": "benchd", "type": "dashboards", "tags": [TAG], "icon": "external link", "tooltip": "", "url": "",
        "asDropdown": False, "includeVars": True, "keepTime": False, "targetBlank": False,
    }  # fmt: skip


def _laid_out(rows: Sequence[Row | str]) -> list[Json]:
    found: list[Json] = []
    y = 0
    for row in rows:
        if isinstance(row, str):
            place = {"h": 1, "w": 24, "x": 0, "y": y}
            found.append(
                {"type": "row", "title": row, "collapsed": False, "panels": [], "gridPos": place, "id": len(found) + 1}
            )
            y += 1
            continue
        height, panels = row
        x = 0
        for width, panel in panels:
            place = {"h": height, "w": width, "x": x, "y": y}
            found.append({"id": len(found) + 1, "gridPos": place, **panel})
            x += width
        y += height
    return found
