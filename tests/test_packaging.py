"""A wheel and an editable install both find drivers, screens and configs."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

FINDS_EVERYTHING = """
from benchd.config import find_file, load_spec
from benchd.registry import drivers, page, screen
from importlib import resources
assert {"scpi", "segment14", "digits11", "modbus", "tach-lines", "tach-pulses", "replay"} <= set(drivers()), drivers()
assert screen("terminal") and screen("plain")
assert all(page("shop").asset(path) for path in ("/", "/run/x", "/page/kit.js", "/page/shop.css", "/page/charts/bokeh.min.js"))
print(load_spec(find_file("hollin-t18", "machine")).name, "|", find_file("bay-1", "bench").name)
assert resources.files("benchd_dashboards.store").joinpath("fleet.json").is_file()
import benchd; print(benchd.__file__)
"""


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel of a copy of the tree, built with what is installed here."""
    copy = tmp_path_factory.mktemp("tree")
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split(
        "\n"
    )
    for name in filter(None, tracked):
        if (ROOT / name).is_file() and not name.startswith("tests/"):
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            (copy / name).write_bytes((ROOT / name).read_bytes())
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(copy)]
    done = subprocess.run(build, capture_output=True, text=True, timeout=100, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return next(out.glob("*.whl"))


def test_the_wheel_holds_configs_and_drivers_and_no_tests(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    assert "benchd/configs/machines/hollin-t18.toml" in names
    assert "benchd_drivers/scpi.py" in names
    assert "benchd_dashboards/terminal.py" in names
    assert "benchd_dashboards/store/benches-now.json" in names
    assert "benchd/py.typed" in names
    assert not [name for name in names if name.startswith(("tests", "drivers/", "dashboards/"))]


def test_a_wheel_install_finds_everything(wheel: Path, tmp_path: Path) -> None:
    """Unpacked as pip would, ahead of everything else on the path, in a folder far from the tree."""
    site = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(site)
    code = f"import sys; sys.path.insert(0, {str(site)!r}); sys.meta_path[:] = [f for f in sys.meta_path if 'editable' not in repr(f).lower()]\n"
    done = subprocess.run(
        [sys.executable, "-c", code + FINDS_EVERYTHING], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "Hollin T18 garden tractor | bay-1.toml" in done.stdout
    assert str(site) in done.stdout


def test_this_install_finds_everything(tmp_path: Path) -> None:
    """The one the tests run from (editable in CI), from another folder."""
    done = subprocess.run(
        [sys.executable, "-c", FINDS_EVERYTHING], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "Hollin T18 garden tractor" in done.stdout
