"""What is known of causes, read from files: the shipped ones, the shop's own over them, what was learned over both.

Later files replace earlier ones key by key: a shop's file may hold one frequency, or a whole new test. Everything is
checked as it lies there in the end; one ConfigError names all that is wrong, with file, line and key.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.core.causes.knowledge import Cause, Item, Knowledge, Outcome, Repair, Together
from benchd.errors import ConfigError

if TYPE_CHECKING:  # pydantic costs 0.1 s to import: only where a file is really read
    from benchd.visits.knowledge_keys import CausesFile, ItemKeys, RepairKeys, TogetherKeys

#: The tables of items, and what an item of each is.
KINDS = {"questions": "question", "looks": "look", "tests": "test"}
_TABLES = ("causes", *KINDS, "repairs")

#: Keys that hold numbers.
_NUMBERS = {"frequency", "background", "given", "minutes", "cost", "right", "nothing", "two", "prove_minutes"}

#: The shop's own file and the one that `benchd causes learn` writes, in benchd's home.
OVERLAY, LEARNED = "causes.toml", "causes-learned.toml"


@dataclass(slots=True)
class Layers:
    """Files laid over one another. `rows`: of every entry of `together`, which file it is from and its place there."""

    paths: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    datas: list[dict[str, Any]] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)
    rows: list[tuple[int, int]] = field(default_factory=list)


def load_knowledge(paths: Sequence[str | Path] | None = None) -> Knowledge:
    """The knowledge of these files, later over earlier; without any, of the shipped and the shop's own.

    ConfigError names everything that is wrong with them.
    """
    from benchd.visits.knowledge_checks import causes_complaints
    from benchd.visits.knowledge_keys import CausesFile

    layers = _laid([Path(one) for one in (known_paths() if paths is None else paths)])
    _refuse(layers, causes_complaints(layers.data))
    knowledge = _knowledge(CausesFile.model_validate(layers.data), tuple(layers.paths))
    if len(layers.paths) > 1:  # the shipped file is known to work; numpy need not be imported for it
        from benchd.core.causes.infer import Model

        try:
            Model(knowledge)
        except ValueError as error:
            raise ConfigError(f"{layers.paths[-1]}: {error}") from error
    return knowledge


def known_paths(learned: bool = True) -> list[Path]:
    """The files that count here, in their order: shipped, the shop's, and (if wanted) the learned one."""
    from benchd.journal import home

    own = [home() / OVERLAY, *([home() / LEARNED] if learned else [])]
    return [*shipped_paths(), *(path for path in own if path.is_file())]


def shipped_paths() -> list[Path]:
    """Every file of the folders `configs/causes`: those that come with benchd before those in benchd's home."""
    from benchd.config import config_folders

    return [path for folder in reversed(config_folders("causes")) for path in sorted(folder.glob("*.toml"))]


def check_causes(path: str | Path) -> str:
    """Check a causes file as it would lie over those before it, and say in a few words what it holds."""
    path = Path(path)
    base = known_paths() if path.name == LEARNED else shipped_paths()
    own = next((at for at, one in enumerate(base) if _same(one, path)), len(base))
    base = base[:own]
    knowledge = load_knowledge([*base, path])
    over = f", laid over {', '.join(one.name for one in base)}" if base else ""
    return (
        f"{len(knowledge.causes)} causes, {len(knowledge.items)} questions, looks and tests, "
        f"{len(knowledge.repairs)} repairs{over}"
    )


def _same(one: Path, other: Path) -> bool:
    return one.resolve() == other.resolve()


# --- laying files over one another --------------------------------------------------------------------------------------


def _laid(paths: Iterable[Path]) -> Layers:
    from benchd.config import parsed

    layers = Layers()
    for path in paths:
        data, text = parsed(path)
        layers.paths.append(str(path))
        layers.texts.append(text)
        layers.datas.append(data)
        _lay(layers, data)
    if not layers.paths:
        raise ConfigError("there is no causes file: configs/causes of benchd is missing; install benchd again")
    return layers


def _lay(layers: Layers, data: Mapping[str, Any]) -> None:
    for key, value in data.items():
        if key in _TABLES and isinstance(value, Mapping) and isinstance(layers.data.get(key, {}), dict):
            table = layers.data.setdefault(key, {})
            for id, entry in value.items():
                table[id] = _over(table.get(id), entry)
        elif key == "together" and isinstance(value, list) and isinstance(layers.data.get(key, []), list):
            _lay_together(layers, value)
        else:
            layers.data[key] = _over(layers.data.get(key), value)


def _over(old: Any, new: Any) -> Any:
    """A table over a table key by key (`given` cause by cause); anything else replaces.

    Whoever gives a number says where it comes from: the old number's origin does not stand for it.
    """
    if not isinstance(old, Mapping) or not isinstance(new, Mapping):
        return new
    merged = {**old, **new}
    if new.keys() & _NUMBERS and "origin" not in new:
        merged.pop("origin", None)
    if isinstance(old.get("given"), Mapping) and isinstance(new.get("given"), Mapping):
        merged["given"] = {**old["given"], **new["given"]}
    return merged


def _lay_together(layers: Layers, entries: list[Any]) -> None:
    """The same two causes again replace what stood of them."""
    kept = layers.data.setdefault("together", [])
    here = len(layers.paths) - 1
    for place, entry in enumerate(entries):
        pair = _pair(entry)
        for at in [at for at, one in enumerate(kept) if pair and _pair(one) == pair and layers.rows[at][0] < here]:
            del kept[at], layers.rows[at]
        kept.append(entry)
        layers.rows.append((here, place))


def _pair(entry: Any) -> frozenset[str] | None:
    causes = entry.get("causes") if isinstance(entry, Mapping) else None
    return frozenset(map(str, causes)) if isinstance(causes, list) else None


# --- complaints, each with its own file ---------------------------------------------------------------------------------


def _refuse(layers: Layers, complaints: Iterable[tuple[tuple[str | int, ...], str]]) -> None:
    from benchd.config import told

    by_file: dict[int, list[tuple[tuple[str | int, ...], str]]] = {}
    for path, said in complaints:
        at, own = _file_of(layers, path)
        by_file.setdefault(at, []).append((own, said))
    if by_file:
        lines = [line for at in sorted(by_file) for line in told(layers.paths[at], layers.texts[at], by_file[at])]
        raise ConfigError("\n".join(lines))


def _file_of(layers: Layers, path: tuple[str | int, ...]) -> tuple[int, tuple[str | int, ...]]:
    """The newest file in which the most of this path stands, and the path as it is there."""
    if path[:1] == ("together",) and len(path) > 1 and isinstance(path[1], int):
        at, place = layers.rows[path[1]]
        return at, ("together", place, *path[2:])
    there = path[: _depth(layers.data, path)]  # what is missing is asked of whoever wrote the table last
    depth, at = max((_depth(data, there), at) for at, data in enumerate(layers.datas))
    return (at, path) if depth else (0, path)


def _depth(data: Any, path: tuple[str | int, ...]) -> int:
    for depth, step in enumerate(path):
        if isinstance(data, Mapping) and step in data:
            data = data[str(step)]
        elif isinstance(data, list) and isinstance(step, int) and step < len(data):
            data = data[step]
        else:
            return depth
    return len(path)


# --- from keys to dataclasses -------------------------------------------------------------------------------------------


def _knowledge(keys: CausesFile, sources: tuple[str, ...]) -> Knowledge:
    causes = {id: Cause(id, **one.model_dump()) for id, one in keys.causes.items()}
    items = {id: _item(id, KINDS[table], one) for table in KINDS for id, one in getattr(keys, table).items()}
    return Knowledge(
        causes,
        items,
        {id: _repair(id, one) for id, one in keys.repairs.items()},
        tuple(pair for one in keys.together for pair in _together(one)),
        keys.visits.nothing,
        keys.visits.two,
        keys.visits.prove_minutes,
        sources,
        keys.visits.learned,
    )


def _item(id: str, kind: str, keys: ItemKeys) -> Item:
    given = keys.model_dump(exclude={"outcomes", "background", "given", "needs", "needs_outcome", "never_after"})
    return Item(
        id,
        kind,
        outcomes=tuple(Outcome(one.id, one.text, one.means, tuple(one.from_run)) for one in keys.outcomes),
        background=tuple(keys.background),
        given={cause: tuple(row) for cause, row in keys.given.items()},
        needs=tuple(keys.needs),
        needs_outcome={item: tuple(of) for item, of in keys.needs_outcome.items()},
        never_after={item: tuple(of) for item, of in keys.never_after.items()},
        **given,
    )


def _repair(id: str, keys: RepairKeys) -> Repair:
    never_after = {item: tuple(of) for item, of in keys.never_after.items()}
    return Repair(id, never_after=never_after, **_tuples(keys.model_dump(exclude={"never_after"})))


def _tuples(given: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in given.items()}


def _together(keys: TogetherKeys) -> list[Together]:
    if keys.one_of is not None:
        return [Together(first, second, 0.0, keys.origin) for first, second in combinations(keys.one_of, 2)]
    assert keys.causes is not None
    assert keys.times is not None
    return [Together(keys.causes[0], keys.causes[1], keys.times, keys.origin)]
