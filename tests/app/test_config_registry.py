"""Drivers and screens from installed packages: one that is broken is named and hurts nobody else."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from importlib.metadata import EntryPoint
from pathlib import Path
from types import ModuleType

import pytest

from benchd import registry
from benchd.errors import ConfigError
from benchd.wire import Driver


@pytest.fixture(autouse=True)
def fresh() -> Iterator[None]:
    registry.forget()
    yield
    registry.forget()


@pytest.fixture
def stranger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An installed package of somebody else: one good driver, and every way to be broken."""
    (tmp_path / "stranger.py").write_text(
        "from benchd_drivers.scpi import DRIVER\nNOT = 3\ndef __getattr__(name):\n    raise RuntimeError('boom')\n"
    )
    info = tmp_path / "stranger-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: stranger\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[benchd.drivers]\nother-meter = stranger:DRIVER\nno-module = not_there:DRIVER\nno-driver = stranger:NOT\n"
        "raises = stranger:nothing\nreplay = stranger:DRIVER\n[benchd.screens]\nno-screen = stranger:NOT\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.delitem(sys.modules, "stranger", raising=False)


def test_the_bundled_drivers_are_found_and_work() -> None:
    found = registry.drivers()
    assert {"scpi", "segment14", "digits11", "modbus", "tach-lines", "tach-pulses", "replay"} <= found.keys()
    assert all(isinstance(one, Driver) and one.name == name for name, one in found.items())
    assert registry.broken_drivers() == ()


@pytest.mark.usefixtures("stranger")
def test_a_strangers_driver_is_as_good_as_ours() -> None:
    assert registry.driver("other-meter") is registry.driver("scpi")


@pytest.mark.usefixtures("stranger")
def test_broken_drivers_are_named_with_their_package_and_error() -> None:
    assert {"scpi", "other-meter"} <= registry.drivers().keys()
    assert [str(one) for one in registry.broken_drivers()] == [
        "'no-driver' of package stranger cannot be used: it is a int, not a benchd.wire.Driver",
        "'no-module' of package stranger cannot be used: ModuleNotFoundError: No module named 'not_there'",
        "'raises' of package stranger cannot be used: RuntimeError: boom",
        "'replay' of package benchd and stranger cannot be used: several packages offer it; keep one of them installed",
    ]
    with pytest.raises(ConfigError, match="driver 'no-module' of package stranger cannot be used: ModuleNotFound"):
        registry.driver("no-module")


def test_one_driver_is_found_without_loading_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    loaded = []
    load = EntryPoint.load

    def noting(self: EntryPoint) -> object:
        loaded.append(self.name)
        return load(self)

    monkeypatch.setattr(EntryPoint, "load", noting)
    registry.driver("scpi")
    registry.driver("scpi")
    assert loaded == ["scpi"]


def test_an_unknown_name_lists_those_that_are_there() -> None:
    with pytest.raises(
        ConfigError, match=r"no driver 'skpi' is installed \(did you mean 'scpi'\?\); there are .*modbus"
    ):
        registry.driver("skpi")
    with pytest.raises(ConfigError, match=r"no screen 'x' is installed; there are plain, terminal"):
        registry.screen("x")


@pytest.mark.usefixtures("stranger")
def test_screens_are_found_and_broken_ones_named() -> None:
    assert callable(registry.screen("plain").show)
    assert set(registry.screen_names()) == {"plain", "terminal", "no-screen"}
    with pytest.raises(ConfigError, match=r"screen 'no-screen' of package stranger cannot be used: it has no show"):
        registry.screen("no-screen")


def test_importing_the_registry_loads_no_driver() -> None:
    assert isinstance(registry, ModuleType)
    assert registry.driver_names() == sorted(registry.driver_names())
