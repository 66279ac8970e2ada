"""Drivers and screens by name, from whatever packages are installed: entry points `benchd.drivers`, `benchd.screens`.

One that cannot be loaded is told with its error and its package; the others go on working.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from benchd.errors import ConfigError
from benchd.wire import Driver

DRIVERS = "benchd.drivers"
SCREENS = "benchd.screens"
FORMS = "benchd.forms"
PAPERS = "benchd.papers"
PAGES = "benchd.pages"


@dataclass(frozen=True, slots=True)
class Broken:
    """An entry point that cannot be used: its name, the package that brings it, what is wrong."""

    name: str
    package: str
    error: str

    def __str__(self) -> str:
        return f"{self.name!r} of package {self.package} cannot be used: {self.error}"


def drivers() -> dict[str, Driver]:
    """Every driver that works, by the name that a bench file uses; see `broken_drivers` for the others."""
    loaded = {name: _load_driver(name) for name in driver_names()}
    return {name: found for name, found in loaded.items() if isinstance(found, Driver)}


def broken_drivers() -> tuple[Broken, ...]:
    """Every driver that is installed but cannot be used."""
    return tuple(found for name in driver_names() if isinstance(found := _load_driver(name), Broken))


def driver(name: str) -> Driver:
    """One driver, without loading any other. ConfigError says which there are, or what is wrong with this one."""
    found = _load_driver(name)
    if isinstance(found, Broken):
        raise ConfigError(f"driver {found}")
    return found


def driver_names() -> list[str]:
    """Names of all installed drivers, without loading one."""
    return sorted({one.name for one in _offered(DRIVERS)})


def screen(name: str) -> Any:
    """The screen of this name (see `benchd_dashboards.SCREEN`). ConfigError if there is none or it is broken."""
    return _with_method(SCREENS, name, "show")


def form(name: str) -> Any:
    """The screens on which something is filled in; `visit`: see benchd_dashboards.visit. ConfigError."""
    return _with_method(FORMS, name, "show")


def paper(name: str) -> Any:
    """What is written for people: `visit`, `machine`, `history`; see benchd_dashboards.paper. ConfigError."""
    return _with_method(PAPERS, name, "html")


def page(name: str) -> Any:
    """The web page; `shop`: see benchd_dashboards.web. ConfigError."""
    return _with_method(PAGES, name, "asset")


def _with_method(group: str, name: str, method: str) -> Any:
    what = _word(group)
    found = _load(group, name)
    if isinstance(found, Broken):
        raise ConfigError(f"{what} {found}")
    if not callable(getattr(found, method, None)):
        raise ConfigError(f"{what} {Broken(name, _packages(group, name), f'it has no {method}()')}")
    return found


def screen_names() -> list[str]:
    return sorted({one.name for one in _offered(SCREENS)})


def forget() -> None:
    """Look again at what is installed (a package was added while benchd runs)."""
    _offered.cache_clear()
    _load_driver.cache_clear()


@cache
def _offered(group: str) -> tuple[EntryPoint, ...]:
    return tuple(entry_points(group=group))


@cache
def _load_driver(name: str) -> Driver | Broken:
    found = _load(DRIVERS, name)
    if isinstance(found, Driver | Broken):
        return found
    return Broken(name, _packages(DRIVERS, name), f"it is a {type(found).__name__}, not a benchd.wire.Driver")


def _load(group: str, name: str) -> Any:
    """The object that an entry point names, or Broken. ConfigError if nobody offers it."""
    offers = [one for one in _offered(group) if one.name == name]
    if not offers:
        raise ConfigError(_unknown(group, name))
    if len({one.value for one in offers}) > 1:
        return Broken(name, _packages(group, name), "several packages offer it; keep one of them installed")
    try:
        return offers[0].load()
    except Exception as error:  # whatever a stranger's module does when it is imported
        return Broken(name, _packages(group, name), f"{type(error).__name__}: {error}")


def _packages(group: str, name: str) -> str:
    found = {one.dist.name if one.dist else "(unknown)" for one in _offered(group) if one.name == name}
    return " and ".join(sorted(found))


def _unknown(group: str, name: str) -> str:
    what = _word(group)
    names = {one.name for one in _offered(group)}
    return f"no {what} {name!r} is installed{nearest(name, names)}; there are {', '.join(sorted(names)) or 'none'}"


def _word(group: str) -> str:
    return group.removeprefix("benchd.").removesuffix("s")


def nearest(word: str, known: Iterable[str]) -> str:
    """' (did you mean ...?)' where a known word is near, else ''."""
    close = get_close_matches(word, list(known), 1, 0.6)
    return f" (did you mean {close[0]!r}?)" if close else ""
